-- What quotes are listed by, and one quote for one client id.
--
-- +goose Up
ALTER TABLE quote ADD COLUMN reference text NOT NULL DEFAULT '' CONSTRAINT quote_reference_length CHECK (char_length(reference) <= 200);
ALTER TABLE quote ADD COLUMN time_zone text NOT NULL DEFAULT 'UTC'; -- of the seller, in which its days are counted
CREATE INDEX quote_reference_idx ON quote (account_id, reference) WHERE reference <> '';
DROP INDEX quote_client_idx;
CREATE UNIQUE INDEX quote_client_id_used ON quote (account_id, client_id) WHERE client_id <> '';
