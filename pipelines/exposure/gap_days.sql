-- Makes the rows of touched_clients in item_groups, group_wordings and gap_days anew. $as_of: the last day counted.
create table if not exists gap_days (        -- one row: a group and a day with lines of it, and the gap that the day fell in:
    -- after previous_on, up to closed_on, which is empty where no look closed it. Days on which frequent inspections found
    -- nothing are left out where no item has a serial: see line_sums. place_class: as in counted_groups; closed_at: that of
    -- the look. standing is filled where the clock starts: items at a look, or at the first receipt of an item with a serial,
    -- if no look came before; standing_before: that of previous_on. One serial is one item. A look of several days is held
    -- on its last day, and look_from is its first. not_presented: as the log itself says.
    group_id bigint, has_serial boolean, place_class bigint, day date, is_look boolean, is_seen boolean, inspected bigint,
    removed bigint, replaced bigint, removed_frequent bigint, accepted bigint, standing bigint, previous_on date,
    standing_before bigint, closed_on date, closed_at bigint, look_from date,
    not_presented bigint
);

delete from gap_days where group_id not in (select group_id from item_groups);

insert into item_groups select distinct group_id, client, item_class, serial from touched_parts;
insert into group_wordings select wording, serial, group_id from touched_parts;

insert into gap_days by name
with lines as (           -- one row: a row of line_sums of such a client, with its group
    select part.group_id, part.serial is not null as has_serial, inspected_on as day, place_class, place,
        inspection_type = 'periodic' as is_periodic, inspection_type = 'frequent' as is_frequent,
        inspection_type = 'initial' as is_initial,
        counted, quantity, removed, replaced, not_presented
    from line_sums as line
    join touched_wordings as wording on wording.wording = line.group_id
    join touched_parts as part on part.wording = line.group_id and part.serial is not distinct from line.serial
    where inspected_on <= $as_of
),
days as (                 -- one row: a group and a day
    select group_id, has_serial, day,
        -- Written down at two places on one day: the one where it was looked at, or else the later one by name.
        coalesce(
            arg_max(place_class, place) filter (where is_periodic and counted > 0), arg_max(place_class, place)
        ) as place_class,
        bool_or(is_periodic and counted > 0) as is_look,
        bool_or(counted > 0) as is_seen,
        coalesce(sum(quantity) filter (where is_periodic), 0)::bigint as inspected,
        coalesce(sum(removed) filter (where is_periodic), 0)::bigint as removed,
        coalesce(sum(replaced) filter (where is_periodic), 0)::bigint as replaced,
        coalesce(sum(removed) filter (where is_frequent), 0)::bigint as removed_frequent,
        coalesce(sum(quantity - removed) filter (where is_initial), 0)::bigint as accepted,
        coalesce(sum(not_presented) filter (where is_periodic), 0)::bigint as not_presented
    from lines
    group by group_id, has_serial, day
),
visits as (               -- one row: a day of a look that may take several, and what that look left in service
    select group_id, day, min(day) over visit as look_from, max(day) over visit as look_on,
        sum(inspected - removed + replaced) over visit as standing
    from (
        select *, count(*) filter (where begins) over (partition by group_id order by day) as number
        from (
            select days.*,
                coalesce(day - lag(day) over (partition by group_id order by day) >= visit_days, true) as begins
            from days
            join touched_wordings as there on there.wording = days.place_class
            join site_register using (client, site, environment)
            where is_look and not has_serial and visit_days > 1
        )
    )
    window visit as (partition by group_id, number)
),
starts as (               -- one row: an item with a serial, and the first day on which it was looked at or accepted
    select group_id, min(day) as starts_on from days where has_serial and (is_look or accepted > 0) group by group_id
),
clocks as (               -- the days, with what stood there where the clock starts
    select days.* replace (days.is_look and coalesce(day = look_on, true) as is_look),
        case when days.is_look then coalesce(look_from, day) end as look_from,
        case
            when day <> look_on then null
            when days.is_look and not has_serial then coalesce(visits.standing, inspected - removed + replaced)
            when days.is_look then least(1, inspected - removed + replaced)
            when day = starts_on then 1
        end as standing
    from days left join starts using (group_id) left join visits using (group_id, day)
),
days_in_own_gap as (      -- the same rows, each in the gap that the look of its own group closes
    select *,
        last_value(case when standing is not null then day end ignore nulls) over earlier as previous_on,
        last_value(standing ignore nulls) over earlier as standing_before,
        first_value(case when is_look then day end ignore nulls) over from_here as closed_on,
        first_value(case when is_look then place_class end ignore nulls) over from_here as closed_at
    from clocks
    window
        earlier as (partition by group_id order by day rows between unbounded preceding and 1 preceding),
        from_here as (partition by group_id order by day rows between current row and unbounded following)
),
gone as (                 -- one row: a day on which an item with a serial was removed between looks. It is never looked at
    -- again: the next look at another one of its class and place closes its gap
    select own.group_id, own.day, own.place_class, look.day as closed_on
    from days_in_own_gap as own
    asof join (select distinct place_class, day from days where is_look and has_serial) as look
        on look.place_class = own.place_class and look.day >= own.day
    where has_serial and own.closed_on is null and previous_on is not null and removed_frequent > 0
)
select own.* replace (
        coalesce(own.closed_on, gone.closed_on) as closed_on, coalesce(closed_at, gone.place_class) as closed_at
    )
from days_in_own_gap as own left join gone using (group_id, day)
