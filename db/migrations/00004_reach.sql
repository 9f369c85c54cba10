-- What an administrator's act reaches among the quotes of all accounts. The
-- service cannot see them together; these two functions give it numbers and
-- nothing else.
--
-- +goose Up
-- +goose StatementBegin
CREATE FUNCTION open_quotes_by_revision(from_revision bigint, to_revision bigint)
  RETURNS TABLE (revision bigint, open bigint, accepted bigint, reservations bigint)
  LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
  SELECT q.catalog_revision,
         count(*) FILTER (WHERE q.state IN ('draft','issued')),
         count(*) FILTER (WHERE q.state IN ('accepted','partly_fulfilled')),
         coalesce(sum((SELECT count(*) FROM reservation r WHERE r.account_id = q.account_id AND r.quote_id = q.id AND r.state = 'held')), 0)::bigint
  FROM quote q
  WHERE q.catalog_revision BETWEEN from_revision AND to_revision AND q.state IN ('draft','issued','accepted','partly_fulfilled')
  GROUP BY q.catalog_revision
  ORDER BY q.catalog_revision
$$;
-- +goose StatementEnd

-- A quote is touched by a part through its lines and by a fork through its body,
-- which names the fork as a JSON text.
-- +goose StatementBegin
CREATE FUNCTION open_quotes_touched(of_sku text, of_fork text)
  RETURNS TABLE (open bigint, accepted bigint, reservations bigint, accounts bigint)
  LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
  WITH touched AS (
    SELECT q.account_id, q.id, q.state
    FROM quote q
    WHERE q.state IN ('draft','issued','accepted','partly_fulfilled')
      AND (of_sku = '' OR EXISTS (SELECT FROM quote_line l WHERE l.account_id = q.account_id AND l.quote_id = q.id AND l.sku = of_sku))
      AND (of_fork = '' OR position(convert_to(to_json(of_fork)::text, 'UTF8') IN q.body) > 0)
  )
  SELECT count(*) FILTER (WHERE t.state IN ('draft','issued')),
         count(*) FILTER (WHERE t.state IN ('accepted','partly_fulfilled')),
         coalesce(sum((SELECT count(*) FROM reservation r
                       WHERE r.account_id = t.account_id AND r.quote_id = t.id AND r.state = 'held' AND (of_sku = '' OR r.sku = of_sku))), 0)::bigint,
         count(DISTINCT t.account_id)
  FROM touched t
$$;
-- +goose StatementEnd
REVOKE ALL ON FUNCTION open_quotes_by_revision(bigint, bigint), open_quotes_touched(text, text) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION open_quotes_by_revision(bigint, bigint), open_quotes_touched(text, text) TO forkwright_service;
