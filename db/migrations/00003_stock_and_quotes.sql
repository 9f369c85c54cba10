-- Locations and stock, what is promised of it, and the quotes that promise.
--
-- +goose Up
CREATE TABLE location (
  id           text        NOT NULL CONSTRAINT location_pkey PRIMARY KEY CONSTRAINT location_id_form CHECK (id ~ '^[a-z0-9][a-z0-9-]{0,39}$'),
  account_id   uuid        NOT NULL CONSTRAINT location_account_fkey REFERENCES account (id),
  name         text        NOT NULL CONSTRAINT location_name_length CHECK (char_length(name) BETWEEN 1 AND 200),
  time_zone    text        NOT NULL DEFAULT 'UTC',
  policy       jsonb       NOT NULL DEFAULT '{}',  -- how its feeds are read and what refuses them
  due_by       text        NOT NULL DEFAULT '' CONSTRAINT location_due_by_form CHECK (due_by ~ '^(([01][0-9]|2[0-3]):[0-5][0-9])?$'),
  counts_exclude_promised boolean NOT NULL DEFAULT false,
  closed_until date,
  last_as_of   timestamptz,
  last_seq     bigint,
  last_digest  bytea,
  counter      bigint      NOT NULL DEFAULT 0,     -- of changes, taken under this row's lock
  created_at   timestamptz NOT NULL DEFAULT now(),
  CONSTRAINT location_account_id_key UNIQUE (account_id, id)
);
GRANT SELECT, INSERT ON location TO forkwright_service;
GRANT UPDATE (name, time_zone, policy, due_by, counts_exclude_promised, closed_until, last_as_of, last_seq, last_digest, counter) ON location TO forkwright_service;

-- Feeds write stock; accept and fulfil write promised: with one row for both,
-- an accept waits for a whole feed.
CREATE TABLE stock (
  location_id text        NOT NULL CONSTRAINT stock_location_fkey REFERENCES location (id),
  sku         text        NOT NULL CONSTRAINT stock_sku_length CHECK (char_length(sku) BETWEEN 1 AND 60),
  on_hand     numeric     NOT NULL,
  at_least    boolean     NOT NULL DEFAULT false,
  incoming    numeric     NOT NULL DEFAULT 0 CONSTRAINT stock_incoming_not_negative CHECK (incoming >= 0),
  incoming_on date,
  bin         text        NOT NULL DEFAULT '',
  CONSTRAINT stock_pkey PRIMARY KEY (location_id, sku)
);
CREATE INDEX stock_sku_idx ON stock (sku, location_id);
GRANT SELECT, INSERT, UPDATE, DELETE ON stock TO forkwright_service;

CREATE TABLE promised (
  location_id text    NOT NULL CONSTRAINT promised_location_fkey REFERENCES location (id),
  sku         text    NOT NULL CONSTRAINT promised_sku_length CHECK (char_length(sku) BETWEEN 1 AND 60),
  qty         numeric NOT NULL CONSTRAINT promised_not_negative CHECK (qty >= 0),
  CONSTRAINT promised_pkey PRIMARY KEY (location_id, sku)
);
GRANT SELECT, INSERT, UPDATE, DELETE ON promised TO forkwright_service;

CREATE TABLE quote (
  id               uuid        NOT NULL CONSTRAINT quote_pkey PRIMARY KEY,
  account_id       uuid        NOT NULL CONSTRAINT quote_account_fkey REFERENCES account (id),
  series           text,
  number           bigint,
  number_text      text,
  revision_no      integer     NOT NULL DEFAULT 1 CONSTRAINT quote_revision_no_positive CHECK (revision_no > 0),
  revises          uuid,
  state            text        NOT NULL CONSTRAINT quote_state_known CHECK (state IN ('draft','issued','accepted','partly_fulfilled','fulfilled','declined','withdrawn','expired','lapsed','superseded')),
  version          bigint      NOT NULL DEFAULT 1,
  client_id        text        NOT NULL DEFAULT '' CONSTRAINT quote_client_id_length CHECK (char_length(client_id) <= 100),
  person_id        uuid,
  currency         text        NOT NULL CONSTRAINT quote_currency_code CHECK (currency ~ '^[A-Z]{3}$'),
  basis            text        NOT NULL CONSTRAINT quote_basis_known CHECK (basis IN ('net','gross')),
  total            numeric,
  issued_on        date,
  valid_until      date,
  price_date       date,
  catalog_revision bigint      NOT NULL,
  rules_version    text        NOT NULL,
  accepted_at      timestamptz,
  held_until       timestamptz,
  body             bytea       NOT NULL,
  body_sha256      bytea       NOT NULL CONSTRAINT quote_body_digest_length CHECK (octet_length(body_sha256) = 32),
  created_at       timestamptz NOT NULL DEFAULT now(),
  updated_at       timestamptz NOT NULL DEFAULT now(),
  CONSTRAINT quote_account_id_key UNIQUE (account_id, id),
  CONSTRAINT quote_number_key UNIQUE (account_id, series, number, revision_no),
  CONSTRAINT quote_revises_key UNIQUE (revises),
  CONSTRAINT quote_revises_fkey FOREIGN KEY (account_id, revises) REFERENCES quote (account_id, id),
  CONSTRAINT quote_person_fkey FOREIGN KEY (account_id, person_id) REFERENCES person (account_id, id),
  CONSTRAINT quote_numbered_when_issued CHECK (state IN ('draft','withdrawn') OR (number IS NOT NULL AND series IS NOT NULL AND issued_on IS NOT NULL AND valid_until IS NOT NULL))
);
CREATE INDEX quote_created_idx ON quote (account_id, created_at DESC, id DESC);
CREATE INDEX quote_client_idx ON quote (account_id, client_id) WHERE client_id <> '';
CREATE INDEX quote_number_text_idx ON quote (account_id, number_text) WHERE number_text IS NOT NULL;
CREATE INDEX quote_person_idx ON quote (account_id, person_id) WHERE person_id IS NOT NULL;
CREATE INDEX quote_held_idx ON quote (account_id, held_until) WHERE held_until IS NOT NULL AND state IN ('accepted','partly_fulfilled');
CREATE INDEX quote_revision_idx ON quote (catalog_revision);
CALL wall('quote');
GRANT SELECT, INSERT, UPDATE ON quote TO forkwright_service;

CREATE TABLE quote_line (
  account_id    uuid    NOT NULL,
  quote_id      uuid    NOT NULL,
  line_no       integer NOT NULL CONSTRAINT quote_line_no_positive CHECK (line_no > 0),
  sku           text    NOT NULL DEFAULT '',  -- '' for a free line
  role          text    NOT NULL,
  qty           numeric NOT NULL CONSTRAINT quote_line_qty_not_negative CHECK (qty >= 0),
  unit          text    NOT NULL,
  unit_price    numeric,
  line_total    numeric,
  tax_category  text    NOT NULL DEFAULT '',
  tax_percent   numeric,
  location_id   text    CONSTRAINT quote_line_location_fkey REFERENCES location (id),
  fulfilled_qty numeric NOT NULL DEFAULT 0 CONSTRAINT quote_line_fulfilled_range CHECK (fulfilled_qty BETWEEN 0 AND qty),
  CONSTRAINT quote_line_pkey PRIMARY KEY (quote_id, line_no),
  CONSTRAINT quote_line_quote_fkey FOREIGN KEY (account_id, quote_id) REFERENCES quote (account_id, id)
);
CREATE INDEX quote_line_sku_idx ON quote_line (account_id, sku);
CALL wall('quote_line');
GRANT SELECT, INSERT, UPDATE, DELETE ON quote_line TO forkwright_service;

CREATE TABLE number_series (
  account_id uuid   NOT NULL CONSTRAINT number_series_account_fkey REFERENCES account (id),
  series     text   NOT NULL,
  last       bigint NOT NULL CONSTRAINT number_series_last_positive CHECK (last > 0),
  CONSTRAINT number_series_pkey PRIMARY KEY (account_id, series)
);
CALL wall('number_series');
GRANT SELECT, INSERT ON number_series TO forkwright_service;
GRANT UPDATE (last) ON number_series TO forkwright_service;

CREATE TABLE reservation (
  id          uuid        NOT NULL CONSTRAINT reservation_pkey PRIMARY KEY,
  account_id  uuid        NOT NULL,
  quote_id    uuid        NOT NULL,
  line_no     integer     NOT NULL,
  location_id text        NOT NULL CONSTRAINT reservation_location_fkey REFERENCES location (id),
  sku         text        NOT NULL,
  qty         numeric     NOT NULL CONSTRAINT reservation_qty_positive CHECK (qty > 0),
  fulfilled_qty numeric   NOT NULL DEFAULT 0 CONSTRAINT reservation_fulfilled_range CHECK (fulfilled_qty BETWEEN 0 AND qty),
  state       text        NOT NULL CONSTRAINT reservation_state_known CHECK (state IN ('held','fulfilled','released')),
  held_until  timestamptz NOT NULL,
  change_no   bigint      NOT NULL,  -- the location's counter at the last change
  created_at  timestamptz NOT NULL DEFAULT now(),
  ended_at    timestamptz,
  CONSTRAINT reservation_line_fkey FOREIGN KEY (account_id, quote_id) REFERENCES quote (account_id, id),
  CONSTRAINT reservation_line_key UNIQUE (quote_id, line_no, location_id, sku)
);
CREATE INDEX reservation_location_idx ON reservation (location_id, change_no);
CREATE INDEX reservation_held_idx ON reservation (account_id, held_until) WHERE state = 'held';
CALL wall('reservation');
-- Whoever owns a location may read what is promised there, and nothing else of it.
CREATE POLICY at_own_location ON reservation FOR SELECT TO forkwright_service
  USING (location_id IN (SELECT l.id FROM location l WHERE l.account_id = nullif(current_setting('app.account', true), '')::uuid));
GRANT SELECT, INSERT, UPDATE ON reservation TO forkwright_service;

CREATE TABLE feed (
  id          uuid        NOT NULL CONSTRAINT feed_pkey PRIMARY KEY,
  location_id text        NOT NULL CONSTRAINT feed_location_fkey REFERENCES location (id),
  account_id  uuid        NOT NULL CONSTRAINT feed_account_fkey REFERENCES account (id),
  kind        text        NOT NULL CONSTRAINT feed_kind_known CHECK (kind IN ('full','delta')),
  state       text        NOT NULL CONSTRAINT feed_state_known CHECK (state IN ('running','applied','unchanged','refused','failed')),
  as_of       timestamptz NOT NULL,
  seq         bigint,
  digest      bytea,
  counts      jsonb       NOT NULL DEFAULT '{}',
  bytes       bigint      NOT NULL DEFAULT 0,
  problem     text        NOT NULL DEFAULT '',
  dry_run     boolean     NOT NULL DEFAULT false,
  request_id  text        NOT NULL DEFAULT '',
  started_at  timestamptz NOT NULL DEFAULT now(),
  finished_at timestamptz
);
CREATE INDEX feed_location_idx ON feed (location_id, started_at DESC, id DESC);
CREATE INDEX feed_account_idx ON feed (account_id, started_at DESC, id DESC);
GRANT SELECT, INSERT, UPDATE ON feed TO forkwright_service;

CREATE TABLE feed_reject (
  feed_id uuid    NOT NULL CONSTRAINT feed_reject_feed_fkey REFERENCES feed (id) ON DELETE CASCADE,
  line    bigint  NOT NULL,
  code    text    NOT NULL,
  value   text    NOT NULL DEFAULT '' CONSTRAINT feed_reject_value_length CHECK (char_length(value) <= 200),
  CONSTRAINT feed_reject_pkey PRIMARY KEY (feed_id, line)
);
GRANT SELECT, INSERT, DELETE ON feed_reject TO forkwright_service;

CREATE TABLE code_map (
  account_id  uuid    NOT NULL CONSTRAINT code_map_account_fkey REFERENCES account (id),
  location_id text    NOT NULL,
  code        text    NOT NULL CONSTRAINT code_map_code_length CHECK (char_length(code) BETWEEN 1 AND 100),
  sku         text    NOT NULL CONSTRAINT code_map_sku_length CHECK (char_length(sku) BETWEEN 1 AND 60),
  factor      numeric NOT NULL DEFAULT 1 CONSTRAINT code_map_factor_positive CHECK (factor > 0),
  unit        text    NOT NULL DEFAULT '',
  CONSTRAINT code_map_pkey PRIMARY KEY (location_id, code),
  CONSTRAINT code_map_location_fkey FOREIGN KEY (account_id, location_id) REFERENCES location (account_id, id)
);
CALL wall('code_map');
GRANT SELECT, INSERT, UPDATE, DELETE ON code_map TO forkwright_service;

-- A page's token is all its reader has, so it is looked up before an account is known.
CREATE TABLE page_link (
  digest     bytea       NOT NULL CONSTRAINT page_link_pkey PRIMARY KEY
                         CONSTRAINT page_link_digest_length CHECK (octet_length(digest) = 32),
  account_id uuid        NOT NULL,
  quote_id   uuid        NOT NULL,
  created_at timestamptz NOT NULL DEFAULT now(),
  expires_at timestamptz,
  CONSTRAINT page_link_quote_fkey FOREIGN KEY (account_id, quote_id) REFERENCES quote (account_id, id)
);
CREATE INDEX page_link_quote_idx ON page_link (account_id, quote_id);
GRANT SELECT, INSERT, DELETE ON page_link TO forkwright_service;
