-- What the store keeps beside the tables that the contracts describe. Its times are UTC.
create table store_info (schema_version integer, made_on timestamp);

create table loads (               -- one row: a file that was loaded: an export, or a workbook of corrected rows
    load_id bigint, file varchar, file_sha256 varchar, source varchar, loaded_at timestamp,
    rows_read bigint, rows_accepted bigint, rows_flagged bigint, rows_quarantined bigint, rows_set_aside bigint,
    rows_superseded bigint, is_correction boolean
);
create table rule_results (        -- one row: a contract rule on one load
    load_id bigint, position integer, rule varchar, description varchar, severity varchar, rows_failing bigint, passed boolean
);
create table set_aside_rows (      -- one row: a record that is no part of the log: blank, a repeated header, a total
    load_id bigint, row bigint, kind varchar, raw varchar
);
create table gathered_rows (       -- one row: an accepted record that gives a further reason for the line of another one
    file_sha256 varchar, row bigint, line_row bigint
);
create table line_flags (          -- one row: an accepted line that broke a rule which only flags
    file_sha256 varchar, row bigint, rule varchar, detail varchar
);
create table phrase_readings (     -- one row: a reason that the profile does not know, and what it was taken for
    load_id bigint, phrase varchar, criterion varchar, likeness double, lines bigint
);
create table count_jumps (         -- one row: a site whose count in a load is far from that of its earlier looks [items]
    load_id bigint, client varchar, site varchar, looks bigint, counted bigint, usual bigint
);
-- The coded lists of data_contracts/, as they were at the latest load.
create table gear_kinds (gear_family varchar, body varchar, pin varchar);
create table criteria_of_gear (gear_family varchar, criterion varchar, tier varchar, primary_rank bigint);
create table rated_loads (gear_family varchar, body varchar, nominal_size_mm double, grade varchar, rated_load_t double);

create table counted_gear (gear_family varchar);  -- one row: the family whose lines the result tables are computed from
