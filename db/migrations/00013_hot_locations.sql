-- Each accept counts on its location's row. A foreign key to that row locks it too, so that all
-- who sell there kept lists of each other's locks: a reservation took a millisecond, half of what
-- an accept held the location for. What is reserved or moved is of a part that is promised there,
-- and that row its transaction has locked already.
--
-- +goose Up
ALTER TABLE reservation DROP CONSTRAINT reservation_location_fkey,
  ADD CONSTRAINT reservation_promised_fkey FOREIGN KEY (location_id, sku) REFERENCES promised (location_id, sku);
ALTER TABLE stock_move DROP CONSTRAINT stock_move_location_fkey,
  ADD CONSTRAINT stock_move_promised_fkey FOREIGN KEY (location_id, sku) REFERENCES promised (location_id, sku);
