-- A look may take several days, and a site may be closed. What is made from the looks is made anew when it is next computed.
alter table site_register add column if not exists visit_days bigint;
alter table site_register add column if not exists closed_on date;
drop table if exists counted_clients;
drop table if exists item_groups;
drop table if exists group_wordings;
drop table if exists gap_days;
drop table if exists gaps;
