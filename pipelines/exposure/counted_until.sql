-- Makes the table counted_until: one row, the last day counted.
create or replace table counted_until as select $as_of::date as day
