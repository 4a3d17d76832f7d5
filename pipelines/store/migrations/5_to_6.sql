-- A look may take several days, a site may be closed, and what a log itself says was not presented is summed up. What is
-- made from the looks is made anew when it is next computed.
alter table site_register add column if not exists visit_days bigint;
alter table site_register add column if not exists closed_on date;
drop table if exists summed_groups;
drop table if exists line_sums;
drop table if exists counted_clients;
drop table if exists item_groups;
drop table if exists group_wordings;
drop table if exists gap_days;
drop table if exists gaps;
