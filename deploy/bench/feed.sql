-- What one full feed makes of a location's counts, by COPY and one merge: only rows that
-- differ are written, by their place in the table, as nobody else writes them. A small sample
-- tells the planner as much as a large one.
BEGIN;
CREATE TEMPORARY TABLE feed (sku text NOT NULL, on_hand numeric NOT NULL) ON COMMIT DROP;
\copy feed FROM '%FILE%' WITH (FORMAT csv, HEADER)
SET LOCAL default_statistics_target = 10;
ANALYZE feed;
SET LOCAL work_mem = '48MB';
WITH change AS MATERIALIZED (
  SELECT s.tid, coalesce(f.sku, s.sku) AS sku, coalesce(f.on_hand, 0) AS on_hand, f.sku IS NOT NULL AS listed
  FROM (SELECT ctid AS tid, sku, on_hand, listed FROM stock WHERE location_id = '%LOCATION%') s
  FULL JOIN feed f ON f.sku = s.sku
  WHERE s.sku IS NULL OR (s.on_hand, s.listed) IS DISTINCT FROM (coalesce(f.on_hand, 0), f.sku IS NOT NULL)
), changed AS (
  UPDATE stock s SET on_hand = c.on_hand, listed = c.listed FROM change c WHERE c.tid IS NOT NULL AND s.ctid = c.tid
)
INSERT INTO stock (location_id, sku, on_hand) SELECT '%LOCATION%', sku, on_hand FROM change WHERE tid IS NULL;
COMMIT;
