-- One row: a designated person who looked at most items of a place in some month, from removal_rates.
select client, main_inspector as inspector,
    count(*)::bigint as months_leading,
    count(*) filter (where is_inspector_changed)::bigint as takeovers,
    count(*) filter (where signal <> 'within')::bigint as signals,
    count(*) filter (where signal <> 'within' and is_inspector_changed)::bigint as signals_at_takeover
from removal_rates
where main_inspector is not null
group by client, main_inspector
