-- Counts that jump against earlier looks are kept from version 2 on; of earlier loads nothing is known.
create table count_jumps (load_id bigint, client varchar, site varchar, looks bigint, counted bigint, usual bigint);
