-- How far a location is from where its goods are wanted.
--
-- +goose Up
ALTER TABLE location ADD COLUMN days_away smallint NOT NULL DEFAULT 0 CONSTRAINT location_days_away_range CHECK (days_away BETWEEN 0 AND 365);
GRANT UPDATE (days_away) ON location TO forkwright_service;
