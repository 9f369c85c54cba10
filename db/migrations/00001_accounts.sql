-- Accounts, keys, personal data, and what every other table hangs on.
--
-- Two roles from the first day: the owner migrates (it runs this file and owns
-- what it makes), forkwright_service serves. Tables that hold a tenant's rows
-- force row-level security: the service sees the rows of the account named in
-- app.account for the current transaction, and none when none is named.
-- nullif, because the setting reads '' after a transaction that had set it.
--
-- +goose Up
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT USAGE ON SCHEMA public TO forkwright_service;

-- wall puts a table behind the account wall. The owner is named in a policy of
-- its own, so that a later migration sees the rows that it has to change.
-- +goose StatementBegin
CREATE PROCEDURE wall(tab regclass)
  LANGUAGE plpgsql AS $$
BEGIN
  EXECUTE format('ALTER TABLE %s ENABLE ROW LEVEL SECURITY', tab);
  EXECUTE format('ALTER TABLE %s FORCE ROW LEVEL SECURITY', tab);
  EXECUTE format('CREATE POLICY tenant ON %s TO forkwright_service USING (account_id = nullif(current_setting(''app.account'', true), '''')::uuid) WITH CHECK (account_id = nullif(current_setting(''app.account'', true), '''')::uuid)', tab);
  EXECUTE format('CREATE POLICY migration ON %s TO CURRENT_USER USING (true) WITH CHECK (true)', tab);
END $$;
-- +goose StatementEnd
REVOKE ALL ON PROCEDURE wall(regclass) FROM PUBLIC;

CREATE TABLE account (
  id         uuid        NOT NULL CONSTRAINT account_pkey PRIMARY KEY,
  name       text        NOT NULL CONSTRAINT account_name_length CHECK (char_length(name) BETWEEN 1 AND 200),
  roles      text[]      NOT NULL CONSTRAINT account_roles_known CHECK (cardinality(roles) BETWEEN 1 AND 4 AND roles <@ ARRAY['shop','storefront','distributor','administrator']),
  created_at timestamptz NOT NULL DEFAULT now(),
  closed_at  timestamptz
);
GRANT SELECT, INSERT ON account TO forkwright_service;
GRANT UPDATE (name, roles, closed_at) ON account TO forkwright_service;

-- What a seller prints on paper, and how it counts and decides.
CREATE TABLE seller_profile (
  account_id        uuid        NOT NULL CONSTRAINT seller_profile_pkey PRIMARY KEY
                                CONSTRAINT seller_profile_account_fkey REFERENCES account (id),
  version           bigint      NOT NULL DEFAULT 1,
  legal_name        text        NOT NULL CONSTRAINT seller_profile_legal_name_length CHECK (char_length(legal_name) BETWEEN 1 AND 200),
  trading_name      text        NOT NULL DEFAULT '',
  street            text        NOT NULL DEFAULT '',
  street_more       text        NOT NULL DEFAULT '',
  postcode          text        NOT NULL DEFAULT '',
  city              text        NOT NULL DEFAULT '',
  region            text        NOT NULL DEFAULT '',
  country           text        NOT NULL CONSTRAINT seller_profile_country_code CHECK (country ~ '^[A-Z]{2}$'),
  registration      text        NOT NULL DEFAULT '',
  contact           jsonb       NOT NULL DEFAULT '{}',  -- phone, email, website of the shop
  tax_ids           jsonb       NOT NULL DEFAULT '[]',  -- [{"scheme": "VA", "value": "..."}]
  tax_country       text        NOT NULL CONSTRAINT seller_profile_tax_country_code CHECK (tax_country ~ '^[A-Z]{2}$'),
  tax_region        text        NOT NULL DEFAULT '',
  default_currency  text        NOT NULL CONSTRAINT seller_profile_currency_code CHECK (default_currency ~ '^[A-Z]{3}$'),
  price_basis       text        NOT NULL DEFAULT 'net' CONSTRAINT seller_profile_price_basis_known CHECK (price_basis IN ('net','gross')),
  languages         text[]      NOT NULL DEFAULT '{en}' CONSTRAINT seller_profile_languages_some CHECK (cardinality(languages) BETWEEN 1 AND 20),
  bench_language    text        NOT NULL DEFAULT '',    -- '' is the quote's language
  units             text        NOT NULL DEFAULT 'metric' CONSTRAINT seller_profile_units_known CHECK (units IN ('metric','imperial')),
  paper             text        NOT NULL DEFAULT 'A4' CONSTRAINT seller_profile_paper_known CHECK (paper IN ('A4','Letter')),
  terms             jsonb       NOT NULL DEFAULT '{}',  -- by language
  texts             jsonb       NOT NULL DEFAULT '{}',  -- by code, then language
  logo              bytea       CONSTRAINT seller_profile_logo_size CHECK (octet_length(logo) <= 262144),
  logo_type         text        NOT NULL DEFAULT '' CONSTRAINT seller_profile_logo_type_known CHECK (logo_type IN ('','image/png','image/jpeg')),
  series            text        NOT NULL DEFAULT 'Q' CONSTRAINT seller_profile_series_form CHECK (series ~ '^[A-Za-z0-9_/-]{1,20}$'),
  number_form       text        NOT NULL DEFAULT '{series}-{year}-{number:5}',
  time_zone         text        NOT NULL,
  validity_days     integer     NOT NULL DEFAULT 30 CONSTRAINT seller_profile_validity_range CHECK (validity_days BETWEEN 1 AND 365),
  hold_days         integer     NOT NULL DEFAULT 14 CONSTRAINT seller_profile_hold_range CHECK (hold_days BETWEEN 1 AND 365),
  labor             jsonb       NOT NULL DEFAULT '{}',  -- per minute by currency, and menu prices by operation
  sag_targets       jsonb       NOT NULL DEFAULT '{}',  -- by discipline, percent
  updated_at        timestamptz NOT NULL DEFAULT now()
);
CALL wall('seller_profile');
GRANT SELECT, INSERT, UPDATE ON seller_profile TO forkwright_service;

-- A key is looked up before an account is known, so it stands outside the wall.
-- Only its digest is kept: at least 160 random bits need no slow hash.
CREATE TABLE api_key (
  id              uuid        NOT NULL CONSTRAINT api_key_pkey PRIMARY KEY,
  account_id      uuid        NOT NULL CONSTRAINT api_key_account_fkey REFERENCES account (id),
  digest          bytea       NOT NULL CONSTRAINT api_key_digest_key UNIQUE
                              CONSTRAINT api_key_digest_length CHECK (octet_length(digest) = 32),
  prefix          text        NOT NULL CONSTRAINT api_key_prefix_length CHECK (char_length(prefix) BETWEEN 1 AND 20),
  label           text        NOT NULL DEFAULT '' CONSTRAINT api_key_label_length CHECK (char_length(label) <= 200),
  scopes          text[]      NOT NULL DEFAULT '{}',
  allowed_origins text[]      NOT NULL DEFAULT '{}',
  created_at      timestamptz NOT NULL DEFAULT now(),
  expires_at      timestamptz,
  revoked_at      timestamptz,
  replaces        uuid        CONSTRAINT api_key_replaces_key UNIQUE
                              CONSTRAINT api_key_replaces_fkey REFERENCES api_key (id)
);
CREATE INDEX api_key_account_idx ON api_key (account_id, created_at);
GRANT SELECT, INSERT ON api_key TO forkwright_service;
GRANT UPDATE (label, expires_at, revoked_at) ON api_key TO forkwright_service;

-- One row, raised by whatever changes what a key may do. The lock on the row
-- puts changes in order of commit, which neither a time nor a sequence does.
CREATE TABLE key_version (
  one     boolean NOT NULL DEFAULT true CONSTRAINT key_version_pkey PRIMARY KEY CONSTRAINT key_version_one CHECK (one),
  version bigint  NOT NULL
);
INSERT INTO key_version (version) VALUES (1);
GRANT SELECT ON key_version TO forkwright_service;
GRANT UPDATE (version) ON key_version TO forkwright_service;

CREATE TABLE key_use (
  key_id       uuid        NOT NULL CONSTRAINT key_use_pkey PRIMARY KEY
                           CONSTRAINT key_use_key_fkey REFERENCES api_key (id),
  last_used_at timestamptz NOT NULL,
  uses         bigint      NOT NULL
);
GRANT SELECT, INSERT, UPDATE ON key_use TO forkwright_service;

-- The only place of personal values. Everything else holds the id.
CREATE TABLE person (
  id            uuid        NOT NULL CONSTRAINT person_pkey PRIMARY KEY,
  account_id    uuid        NOT NULL CONSTRAINT person_account_fkey REFERENCES account (id),
  name          text,
  email         text,
  phone         text,
  address       text,
  note          text,
  rider_mass_kg numeric,
  created_at    timestamptz NOT NULL DEFAULT now(),
  used_at       timestamptz NOT NULL DEFAULT now(),
  erased_at     timestamptz,
  CONSTRAINT person_account_id_key UNIQUE (account_id, id),
  CONSTRAINT person_erased_is_empty CHECK (erased_at IS NULL OR num_nonnulls(name, email, phone, address, note, rider_mass_kg) = 0)
);
CREATE INDEX person_used_idx ON person (account_id, used_at) WHERE erased_at IS NULL;
CALL wall('person');
GRANT SELECT, INSERT ON person TO forkwright_service;
GRANT UPDATE (name, email, phone, address, note, rider_mass_kg, used_at, erased_at) ON person TO forkwright_service;

-- Who did what to which columns. Never a value.
CREATE TABLE event (
  no           bigint      GENERATED ALWAYS AS IDENTITY CONSTRAINT event_pkey PRIMARY KEY,
  account_id   uuid        NOT NULL CONSTRAINT event_account_fkey REFERENCES account (id),
  at           timestamptz NOT NULL DEFAULT now(),
  by_account   uuid,
  by_key       uuid,
  action       text        NOT NULL CONSTRAINT event_action_form CHECK (action ~ '^[a-z_]{1,60}$'),
  subject_kind text        NOT NULL CONSTRAINT event_subject_kind_form CHECK (subject_kind ~ '^[a-z_]{1,40}$'),
  subject_id   text        NOT NULL CONSTRAINT event_subject_id_length CHECK (char_length(subject_id) BETWEEN 1 AND 100),
  columns      text[]      NOT NULL DEFAULT '{}',
  codes        jsonb       NOT NULL DEFAULT '{}',  -- states and counts, never a person's words
  request_id   text        NOT NULL DEFAULT ''
);
CREATE INDEX event_subject_idx ON event (account_id, subject_kind, subject_id, no);
CALL wall('event');
GRANT SELECT, INSERT ON event TO forkwright_service;

-- The answer to a POST that wrote, kept to be given again; without personal values.
CREATE TABLE replay (
  account_id  uuid        NOT NULL CONSTRAINT replay_account_fkey REFERENCES account (id),
  operation   text        NOT NULL,
  key         text        NOT NULL CONSTRAINT replay_key_length CHECK (char_length(key) BETWEEN 1 AND 200),
  body_digest bytea       NOT NULL CONSTRAINT replay_digest_length CHECK (octet_length(body_digest) = 32),
  status      integer     NOT NULL CONSTRAINT replay_status_range CHECK (status BETWEEN 100 AND 599),
  location    text        NOT NULL DEFAULT '',
  answer      bytea       NOT NULL,
  created_at  timestamptz NOT NULL DEFAULT now(),
  CONSTRAINT replay_pkey PRIMARY KEY (account_id, operation, key)
);
CREATE INDEX replay_created_idx ON replay (account_id, created_at);
CALL wall('replay');
GRANT SELECT, INSERT, DELETE ON replay TO forkwright_service;
