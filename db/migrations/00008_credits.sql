-- A free line may be below zero: an old part taken back, a credit.
--
-- +goose Up
ALTER TABLE quote_line
  DROP CONSTRAINT quote_line_qty_not_negative,
  DROP CONSTRAINT quote_line_fulfilled_range,
  ADD CONSTRAINT quote_line_qty_credit_is_free CHECK (qty >= 0 OR sku = ''),
  ADD CONSTRAINT quote_line_fulfilled_range CHECK (fulfilled_qty BETWEEN 0 AND greatest(qty, 0));
