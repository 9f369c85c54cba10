-- Catalog revisions as content-addressed parts, notices, and what an account or
-- an administrator knows about prices and taxes.
--
-- +goose Up
CREATE TABLE catalog_blob (
  digest     bytea       NOT NULL CONSTRAINT catalog_blob_pkey PRIMARY KEY
                         CONSTRAINT catalog_blob_digest_length CHECK (octet_length(digest) = 32),
  part       text        NOT NULL CONSTRAINT catalog_blob_part_known CHECK (part IN ('fitment','prices')),
  content    bytea       NOT NULL,
  created_at timestamptz NOT NULL DEFAULT now()
);
-- A part comes packed already; a second attempt at packing costs seconds.
ALTER TABLE catalog_blob ALTER COLUMN content SET STORAGE EXTERNAL;
GRANT SELECT, INSERT, DELETE ON catalog_blob TO forkwright_service;

-- No foreign key to the parts: a revision's number and digests stay for ever,
-- its parts for 24 months.
CREATE TABLE catalog_revision (
  revision       bigint      NOT NULL CONSTRAINT catalog_revision_pkey PRIMARY KEY CONSTRAINT catalog_revision_positive CHECK (revision > 0),
  fitment_digest bytea       NOT NULL CONSTRAINT catalog_revision_fitment_length CHECK (octet_length(fitment_digest) = 32),
  price_digest   bytea       NOT NULL CONSTRAINT catalog_revision_price_length CHECK (octet_length(price_digest) = 32),
  loaded_at      timestamptz NOT NULL DEFAULT now(),
  loaded_by      text        NOT NULL DEFAULT '',
  note           text        NOT NULL DEFAULT '',
  meta           jsonb       NOT NULL DEFAULT '{}',
  dropped_at     timestamptz
);
CREATE INDEX catalog_revision_fitment_idx ON catalog_revision (fitment_digest);
CREATE INDEX catalog_revision_price_idx ON catalog_revision (price_digest);
GRANT SELECT, INSERT ON catalog_revision TO forkwright_service;
GRANT UPDATE (dropped_at) ON catalog_revision TO forkwright_service;

-- One row from the start: its lock gives numbers and puts changes in order.
CREATE TABLE catalog_active (
  one         boolean     NOT NULL DEFAULT true CONSTRAINT catalog_active_pkey PRIMARY KEY CONSTRAINT catalog_active_one CHECK (one),
  revision    bigint      CONSTRAINT catalog_active_revision_fkey REFERENCES catalog_revision (revision),
  previous    bigint      CONSTRAINT catalog_active_previous_fkey REFERENCES catalog_revision (revision),
  last_number bigint      NOT NULL DEFAULT 0,
  switched_at timestamptz NOT NULL DEFAULT now()
);
INSERT INTO catalog_active DEFAULT VALUES;
GRANT SELECT ON catalog_active TO forkwright_service;
GRANT UPDATE (revision, previous, last_number, switched_at) ON catalog_active TO forkwright_service;

CREATE TABLE notice (
  id          uuid        NOT NULL CONSTRAINT notice_pkey PRIMARY KEY,
  kind        text        NOT NULL CONSTRAINT notice_kind_known CHECK (kind IN ('stop_sale','recall','bulletin','row_hold')),
  effect      text        NOT NULL CONSTRAINT notice_effect_known CHECK (effect IN ('warn','block')),
  sku         text        NOT NULL DEFAULT '',
  fork        text        NOT NULL DEFAULT '',
  row_id      text        NOT NULL DEFAULT '',
  batch       text        NOT NULL DEFAULT '',
  serial_from text        NOT NULL DEFAULT '',
  serial_to   text        NOT NULL DEFAULT '',
  text        text        NOT NULL CONSTRAINT notice_text_length CHECK (char_length(text) BETWEEN 1 AND 4000),
  by_account  uuid        CONSTRAINT notice_by_account_fkey REFERENCES account (id),
  starts_at   timestamptz NOT NULL,
  ends_at     timestamptz,
  created_at  timestamptz NOT NULL DEFAULT now(),
  CONSTRAINT notice_touches_something CHECK (sku <> '' OR fork <> '' OR row_id <> ''),
  CONSTRAINT notice_ends_after_start CHECK (ends_at >= starts_at)
);
GRANT SELECT, INSERT ON notice TO forkwright_service;
GRANT UPDATE (ends_at) ON notice TO forkwright_service;

CREATE TABLE notice_version (
  one     boolean NOT NULL DEFAULT true CONSTRAINT notice_version_pkey PRIMARY KEY CONSTRAINT notice_version_one CHECK (one),
  version bigint  NOT NULL
);
INSERT INTO notice_version (version) VALUES (1);
GRANT SELECT ON notice_version TO forkwright_service;
GRANT UPDATE (version) ON notice_version TO forkwright_service;

-- A shop's own prices: buying (never on a customer's paper) and selling.
CREATE TABLE own_price (
  account_id  uuid    NOT NULL CONSTRAINT own_price_account_fkey REFERENCES account (id),
  sku         text    NOT NULL CONSTRAINT own_price_sku_length CHECK (char_length(sku) BETWEEN 1 AND 60),
  use         text    NOT NULL CONSTRAINT own_price_use_known CHECK (use IN ('selling','buying')),
  currency    text    NOT NULL CONSTRAINT own_price_currency_code CHECK (currency ~ '^[A-Z]{3}$'),
  basis       text    NOT NULL CONSTRAINT own_price_basis_known CHECK (basis IN ('net','gross')),
  min_qty     numeric NOT NULL DEFAULT 1 CONSTRAINT own_price_min_qty_positive CHECK (min_qty > 0),
  amount      numeric NOT NULL CONSTRAINT own_price_amount_not_negative CHECK (amount >= 0),
  valid_from  date    NOT NULL,
  valid_until date,
  CONSTRAINT own_price_pkey PRIMARY KEY (account_id, sku, use, currency, min_qty, valid_from),
  CONSTRAINT own_price_dates_in_order CHECK (valid_until >= valid_from)
);
CALL wall('own_price');
GRANT SELECT, INSERT, UPDATE, DELETE ON own_price TO forkwright_service;

-- Rates by place, category and date; kept by an administrator, none built in.
CREATE TABLE tax_rate (
  country     text    NOT NULL CONSTRAINT tax_rate_country_code CHECK (country ~ '^[A-Z]{2}$'),
  region      text    NOT NULL DEFAULT '',
  class       text    NOT NULL DEFAULT 'standard' CONSTRAINT tax_rate_class_form CHECK (class ~ '^[a-z_]{1,40}$'),
  category    text    NOT NULL CONSTRAINT tax_rate_category_known CHECK (category IN ('S','Z','E','AE','O')),
  percent     numeric NOT NULL CONSTRAINT tax_rate_percent_range CHECK (percent BETWEEN 0 AND 100),
  reason      text    NOT NULL DEFAULT '',
  valid_from  date    NOT NULL,
  valid_until date,
  CONSTRAINT tax_rate_pkey PRIMARY KEY (country, region, class, category, valid_from),
  CONSTRAINT tax_rate_dates_in_order CHECK (valid_until >= valid_from)
);
GRANT SELECT, INSERT, UPDATE, DELETE ON tax_rate TO forkwright_service;

-- What could not be answered, counted by cause: the catalog keeper's work list.
CREATE TABLE gap_count (
  cause   text   NOT NULL CONSTRAINT gap_count_cause_form CHECK (cause ~ '^[a-z_]{1,60}$'),
  subject text   NOT NULL CONSTRAINT gap_count_subject_length CHECK (char_length(subject) <= 200),
  day     date   NOT NULL,
  times   bigint NOT NULL CONSTRAINT gap_count_times_positive CHECK (times > 0),
  CONSTRAINT gap_count_pkey PRIMARY KEY (cause, subject, day)
);
GRANT SELECT, INSERT, UPDATE, DELETE ON gap_count TO forkwright_service;
