-- The rows that one POST /v1/quotes leaves, copied from a quote that the service made: the
-- leanest way to have them, in one transaction and one round trip. The number's row comes last:
-- everybody who issues waits for it. It is let go before the commit is on disk, and the
-- transaction ends when it is, as in the service.
\startpipeline
BEGIN;
SELECT set_config('app.account', :account::text, true), set_config('lean.id', gen_random_uuid()::text, true);
WITH q AS MATERIALIZED (
  SELECT current_setting('lean.id')::uuid AS id
), l AS (
  INSERT INTO quote_line (account_id, quote_id, line_no, sku, role, qty, unit, unit_price, line_total, tax_category, tax_percent, location_id)
  SELECT account_id, q.id, line_no, sku, role, qty, unit, unit_price, line_total, tax_category, tax_percent, location_id FROM lean.quote_line, q
), b AS (
  INSERT INTO quote_bill (account_id, quote_id, bill) SELECT account_id, q.id, bill FROM lean.quote_bill, q
), e AS (
  INSERT INTO event (account_id, by_account, by_key, action, subject_kind, subject_id, columns, codes, request_id)
  SELECT account_id, by_account, by_key, action, subject_kind, q.id::text, columns, codes, request_id FROM lean.event, q
), r AS (
  INSERT INTO replay (account_id, operation, key, body_digest, status, location, answer)
  SELECT account_id, operation, q.id::text, body_digest, status, location, answer FROM lean.replay, q
)
INSERT INTO page_link (digest, account_id, quote_id, created_at, expires_at)
SELECT sha256(q.id::text::bytea), t.account_id, q.id, now(), t.expires_at FROM lean.page_link t, q;
WITH n AS (
  UPDATE number_series s SET last = s.last + 1 FROM lean.quote t WHERE s.account_id = t.account_id AND s.series = t.series RETURNING s.last
)
INSERT INTO quote (id, account_id, series, number, number_text, revision_no, revises, state, version, client_id, reference, person_id, currency, basis, total,
       issued_on, valid_until, price_date, catalog_revision, rules_version, accepted_at, held_until, time_zone, body, body_sha256, created_at, updated_at)
SELECT current_setting('lean.id')::uuid, account_id, series, n.last, number_text || n.last, revision_no, revises, state, version, client_id, reference, person_id, currency, basis, total,
       issued_on, valid_until, price_date, catalog_revision, rules_version, accepted_at, held_until, time_zone, body, body_sha256, now(), now()
FROM lean.quote, n;
SET LOCAL synchronous_commit = off;
COMMIT;
SELECT pg_logical_emit_message(true, 'lean', '');
\endpipeline
