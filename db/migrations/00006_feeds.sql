-- Feeds: a count is of its as-of time, what left since is subtracted from it, and
-- feeds and promises never write the same row.
--
-- promised.shipped counts all that was ever handed over of a part at a location;
-- stock.shipped_seen is that figure as of the count. What lies there now is
--   on_hand - (shipped - shipped_seen).
-- A feed older than a sale that has already shipped is put right by stock_move.
--
-- +goose Up
ALTER TABLE promised ADD COLUMN shipped numeric NOT NULL DEFAULT 0;
ALTER TABLE stock ADD COLUMN shipped_seen numeric NOT NULL DEFAULT 0;
ALTER TABLE stock ADD COLUMN listed boolean NOT NULL DEFAULT true; -- the last full feed, or a delta since, names it

CREATE TABLE stock_move (
  location_id text        NOT NULL CONSTRAINT stock_move_location_fkey REFERENCES location (id),
  at          timestamptz NOT NULL,
  sku         text        NOT NULL,
  promised    numeric     NOT NULL,  -- what it added to promised.qty
  shipped     numeric     NOT NULL   -- what it added to promised.shipped
);
CREATE INDEX stock_move_idx ON stock_move (location_id, at);
GRANT SELECT, INSERT, DELETE ON stock_move TO forkwright_service;

ALTER TABLE feed ADD COLUMN undercut jsonb NOT NULL DEFAULT '[]';
ALTER TABLE feed ADD COLUMN code text NOT NULL DEFAULT '';           -- of the problem
GRANT DELETE ON feed TO forkwright_service; -- what is older than anybody asks for
CREATE INDEX feed_running_idx ON feed (location_id) WHERE state = 'running';
ALTER TABLE location ADD COLUMN last_feed uuid;
ALTER TABLE location ADD COLUMN codes_version bigint NOT NULL DEFAULT 0; -- of its code map; 0: it has none
GRANT UPDATE (last_feed, codes_version) ON location TO forkwright_service;

-- Where rows wait between the wire and the merge: three desks, each used by one
-- feed at a time, so that emptying one is instant and touches nobody else's rows.
-- Unlogged: after a crash they are empty, and so is their worth.
-- +goose StatementBegin
DO $$
BEGIN
  FOR desk IN 1..3 LOOP
    EXECUTE format('CREATE UNLOGGED TABLE feed_desk_%s (
      place       smallint NOT NULL,
      line        bigint   NOT NULL,
      sku         text     NOT NULL,
      on_hand     numeric,              -- null: the row was bad, the part keeps what it has
      at_least    boolean  NOT NULL,
      incoming    numeric  NOT NULL,
      incoming_on date,
      bin         text     NOT NULL,
      again       boolean  NOT NULL     -- may be a second row for the same part
    ) WITH (autovacuum_enabled = false)', desk);
    EXECUTE format('GRANT SELECT, INSERT, DELETE ON feed_desk_%s TO forkwright_service', desk);
  END LOOP;
END $$;
-- +goose StatementEnd

-- The service may not truncate; this empties a desk and nothing else.
-- +goose StatementBegin
CREATE FUNCTION clear_feed_desk(desk integer) RETURNS void
  LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
  CASE desk
    WHEN 1 THEN TRUNCATE feed_desk_1;
    WHEN 2 THEN TRUNCATE feed_desk_2;
    WHEN 3 THEN TRUNCATE feed_desk_3;
  END CASE;
END $$;
-- +goose StatementEnd

-- Fresh figures for the planner, which otherwise guesses at a table just filled.
-- +goose StatementBegin
CREATE FUNCTION measure_feed_desk(desk integer) RETURNS void
  LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
  CASE desk
    WHEN 1 THEN ANALYZE feed_desk_1;
    WHEN 2 THEN ANALYZE feed_desk_2;
    WHEN 3 THEN ANALYZE feed_desk_3;
  END CASE;
END $$;
-- +goose StatementEnd
REVOKE ALL ON FUNCTION clear_feed_desk(integer), measure_feed_desk(integer) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION clear_feed_desk(integer), measure_feed_desk(integer) TO forkwright_service;
