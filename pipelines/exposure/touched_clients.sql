-- Finds the clients whose exposures are not those of their lines of the counted gear, their register and $as_of, the last day counted: the
-- rows of the others in gap_days and gaps stay. (A hash of several values passes a change of the last one on bit by
-- bit, so that two would cancel out: hence the hash of a hash.) A group never goes from one client to another.
create table if not exists counted_clients (client varchar, mark ubigint);

create or replace temp table touched_clients as  -- one row: such a client, with its mark; without one it has no line left
with of_lines as (        -- one row: a client with current lines, and the latest day of them that counts
    select client, bit_xor(hash(hash(group_id, mark))) as mark, least(max(last_on), $as_of::date) as counted_to
    from summed_groups join counted_groups using (group_id)
    group by client
),
of_register as (          -- one row: a client in the site register
    select client, bit_xor(hash(hash(site, environment, current_interval_months, visit_days))) as mark
    from site_register group by client
),
marks as (
    select of_lines.client, hash(of_lines.mark, of_register.mark, counted_to) as mark
    from of_lines left join of_register using (client)
)
select client, marks.mark
from marks full join counted_clients as known using (client)
where known.mark is distinct from marks.mark;
