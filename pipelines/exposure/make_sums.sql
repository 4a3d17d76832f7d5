-- Makes the tables that hold the current lines summed up, where they are not there yet; update_sums.sql fills them.
-- Each is summed for each wording of what was looked at and where, group_id of line_groups: a whole number, and of one
-- file, so that a load touches few of them.
create table if not exists summed_groups (  -- one row: a group, and what tells whether its sums are those of its lines
    group_id bigint, lines bigint, mark ubigint, first_on date, last_on date
);
create table if not exists line_sums (      -- one row: lines of a group alike in all that follows up to supplier.
    -- Frequent inspections without a removal are left out where no item has a serial: they open and close no gap.
    -- counted: lines that count an item; first_line: the row of the first of them.
    group_id bigint, serial varchar, inspected_on date, inspector varchar, supplier varchar,
    lines bigint, counted bigint, first_line bigint, quantity bigint, removed bigint, replaced bigint, not_presented bigint
);
create table if not exists month_sums (     -- one row: a month of a group, and the disposition of what was removed
    group_id bigint, month date, disposition varchar, quantity bigint, removed bigint
);
create table if not exists reason_sums (    -- one row: a day of a group or of its item with a serial, and a criterion.
    -- is_of_removals: of lines that removed an item; a reason may be given although none was.
    group_id bigint, serial varchar, inspected_on date, criterion varchar, is_of_removals boolean,
    primary_removed bigint, mentions bigint
);
