-- The bill of the work at the bench is more than half of a quote's body, never changes, and only
-- the bench sheet reads it: it has a table of its own, written once. Bodies of the release before
-- still have it inside.
--
-- What belongs to a quote may be stored before it in the same transaction: a number is taken last
-- and waited for by everyone who issues, and only the quote's own row needs it.
--
-- +goose Up
CREATE TABLE quote_bill (
  account_id uuid  NOT NULL,
  quote_id   uuid  NOT NULL CONSTRAINT quote_bill_pkey PRIMARY KEY,
  bill       bytea NOT NULL,
  CONSTRAINT quote_bill_quote_fkey FOREIGN KEY (account_id, quote_id) REFERENCES quote (account_id, id) DEFERRABLE INITIALLY DEFERRED
);
CALL wall('quote_bill');
GRANT SELECT, INSERT ON quote_bill TO forkwright_service;

ALTER TABLE quote_line ALTER CONSTRAINT quote_line_quote_fkey DEFERRABLE INITIALLY DEFERRED;
ALTER TABLE page_link ALTER CONSTRAINT page_link_quote_fkey DEFERRABLE INITIALLY DEFERRED;

-- +goose StatementBegin
DO $$
BEGIN
  ALTER TABLE quote_bill ALTER COLUMN bill SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
  RAISE NOTICE 'this server has no lz4: bills are packed as before';
END $$;
-- +goose StatementEnd
