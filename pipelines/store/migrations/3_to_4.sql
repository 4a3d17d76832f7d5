drop table if exists exposures;  -- a view of the gaps now
