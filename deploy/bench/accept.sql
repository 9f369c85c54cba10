-- The rows that one POST /v1/quotes/{quote_id}/accept leaves, copied from a quote that the
-- service accepted, for the next quote in turn: the leanest way to have them, in one
-- transaction and one round trip. Whether the goods are there is not looked at. The location's
-- row comes last: everybody who accepts there waits for it. It is let go before the commit is
-- on disk, and the transaction ends when it is, as in the service.
\startpipeline
BEGIN;
SELECT set_config('app.account', :account::text, true);
WITH turn AS MATERIALIZED (
  SELECT nextval('lean.turn') AS n
), mine AS MATERIALIZED (
  SELECT i.quote_id, i.sku FROM lean.issued i JOIN turn USING (n)
), accepted AS (
  UPDATE quote q SET state = t.state, version = t.version, accepted_at = now(), held_until = t.held_until, body = t.body, body_sha256 = t.body_sha256, updated_at = now()
  FROM lean.quote t, mine WHERE q.account_id = t.account_id AND q.id = mine.quote_id
), held AS (
  INSERT INTO promised AS p (location_id, sku, qty)
  SELECT t.location_id, mine.sku, t.qty FROM lean.reservation t, mine
  ON CONFLICT (location_id, sku) DO UPDATE SET qty = p.qty + excluded.qty
), moved AS (
  INSERT INTO stock_move (location_id, at, sku, promised, shipped)
  SELECT t.location_id, now(), mine.sku, t.qty, 0 FROM lean.reservation t, mine
), noted AS (
  INSERT INTO event (account_id, by_account, by_key, action, subject_kind, subject_id, columns, codes, request_id)
  SELECT account_id, by_account, by_key, action, subject_kind, mine.quote_id::text, columns, codes, request_id FROM lean.event, mine
)
INSERT INTO replay (account_id, operation, key, body_digest, status, location, answer)
SELECT account_id, operation, mine.quote_id::text, body_digest, status, location, answer FROM lean.replay, mine;
WITH counted AS (
  UPDATE location l SET counter = l.counter + 1 FROM lean.reservation t WHERE l.id = t.location_id RETURNING l.counter
)
INSERT INTO reservation (id, account_id, quote_id, line_no, location_id, sku, qty, state, held_until, change_no, created_at)
SELECT gen_random_uuid(), t.account_id, i.quote_id, t.line_no, t.location_id, i.sku, t.qty, t.state, t.held_until, counted.counter, now()
FROM lean.reservation t, counted, lean.issued i WHERE i.n = (SELECT currval('lean.turn'));
SET LOCAL synchronous_commit = off;
COMMIT;
SELECT pg_logical_emit_message(true, 'lean', '');
\endpipeline
