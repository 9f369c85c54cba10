-- A quote's body is about 40 KB of JSON, and a catalog with a million rows 15 MB, packed by
-- the server. lz4 packs them in a fraction of the time. Rows that are stored already stay as
-- they are and are read as before; a server built without lz4 goes on with its own packing.
--
-- +goose Up
-- +goose StatementBegin
DO $$
BEGIN
  ALTER TABLE quote ALTER COLUMN body SET COMPRESSION lz4;
  ALTER TABLE replay ALTER COLUMN answer SET COMPRESSION lz4;
  ALTER TABLE catalog_blob ALTER COLUMN content SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
  RAISE NOTICE 'this server has no lz4: they are packed as before';
END $$;
-- +goose StatementEnd
