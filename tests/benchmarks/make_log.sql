-- One row: a line of a generated log, in its order: client by client, each from its first look to its last.
-- Every value comes from the number of the line, so that any part of a log can be made by itself. $first, $last: lines to
-- make, the last one left out; $lines, $clients, $sites of a client, $classes of a place, $seed: of the whole log.
-- A group is an item class at a place, and a place is looked at on one day. Its lines are cut into looks, and each look has lines of several bays, then those
-- of shifts in the weeks after it, and now and then goods received. At one site in twenty every item has a serial: a
-- line then is one item, and one that was removed is replaced by another.
with numbers as (         -- one row: a line, as the how-manieth of its client
    select i, i // per_client as client, i % per_client as place_in_client, $sites * 3 * $classes as groups,
        per_client // groups as lines_of_group
    from (select ($lines // $clients)::bigint as per_client) cross join range($first::bigint, $last::bigint) as numbered(i)
),
slots as (                -- the same lines: their group, and which of its lines they are
    select *, client * groups + place_in_client % groups as group_number,
        least(place_in_client // groups, lines_of_group - 1) as slot,
        (place_in_client % groups) // (3 * $classes) as site,
        (place_in_client % groups) // $classes % 3 as environment,
        greatest(2, least(40, lines_of_group // 5)) as looks,
        site % 20 = 19 as is_tagged
    from numbers
),
looks as (                -- the same lines: the look they belong to, and their place in it
    select *, slot // per_look as look_number,
        case when is_tagged then 'item' when slot % per_look < greatest(1, per_look // 3) then 'bay'
            when slot % per_look = per_look - 1 and look_number % 4 = 0 then 'goods' else 'shift' end as kind,
        slot % per_look as bay,
        (look_number * 3500 // looks + (hash(group_number // $classes, look_number, $seed) % 20)::integer) as look_day,
        (hash(i, $seed, 1) >> 11)::double / pow(2, 53) as chance,
        (hash(i, $seed, 2) >> 1)::bigint as noise,
        -- Sites and environments differ in their rates.
        [0.4, 0.7, 0.9, 1.0, 1.1, 1.6, 2.4][1 + (hash(client, site, $seed) % 7)::integer] * [0.6, 1.0, 1.9][environment + 1]
            as harshness
    from (select *, greatest(1, ceil(lines_of_group / looks))::bigint as per_look from slots)
),
items as (                -- the same lines, with the look at which a tagged item goes, and whether this is its successor
    select *, (hash(group_number, bay, $seed, 3) % (30 / harshness)::ubigint)::integer as goes_at,
        look_number > goes_at as is_successor
    from looks
),
counts as (               -- the same lines: items looked at and removed, the latter a Poisson number
    select *,
        case when kind = 'item' then 1 when kind = 'shift' then 4 + noise % 20
            else 4 + (hash(group_number, bay, $seed, 4) % 40)::integer - (noise % 40 = 0)::integer end as quantity,
        exp(-expected) as none,
        case
            when kind = 'item' then (look_number = goes_at and look_number > 0)::integer
            else least(quantity,
                (chance > none)::integer + (chance > none * (1 + expected))::integer
                + (chance > none * (1 + expected + expected * expected / 2))::integer
                + (chance > none * (1 + expected + expected * expected / 2 + pow(expected, 3) / 6))::integer)
        end as removed
    from (select *, quantity_rate * harshness
            * (case when kind = 'bay' then 3500.0 / looks / 365 * 0.03 when kind = 'goods' then 0.01 else 0.0005 end)
            as expected
        from (select *, 4 + (hash(group_number, bay, $seed, 4) % 40)::integer as quantity_rate from items))
)
select format('Client {:03d}', client + 1) as "Client",
    format('Yard {:02d}', site + 1) as "Place",
    ['indoor dry', 'outdoor inland', 'marine spray'][environment + 1] as "Where used",
    ['Anchor', 'Chain'][1 + group_number % 2] as "Body",
    case when group_number % $classes >= $classes / 2 then 'bolt-type' else 'screw pin' end as "Pin",
    ['5/8', '3/4', '7/8', '1', '1-1/4'][1 + group_number % 5] as "Size",
    ['3 1/4 T', '4.75', '6.5', '8.5', '12'][1 + group_number % 5] as "Load",
    'carbon' as "Grade",
    case when kind = 'item' then format('T{}-{}{}', group_number, bay, case when is_successor then 'B' else 'A' end)
        end as "Tag",
    strftime(date '2016-01-04' + case when kind = 'shift' then look_day + 1 + (noise % (3500 // looks)) when kind = 'goods' then look_day + 21
        else look_day end::integer, '%d/%m/%Y') as "Day",
    case kind when 'shift' then 'shift' when 'goods' then 'goods in' when 'bay' then 'yearly'
        else case when look_number = 0 or look_number = goes_at + 1 then 'goods in' else 'yearly' end end as "Look",
    case when noise % 200 = 7 then '12 ea' else quantity::varchar end as "Seen",
    removed as "Removed",
    case when removed > 0 then ['no tag', 'bent', 'bent; no tag', 'worn', 'worn', 'rusty', 'odd pin', 'nicked',
        'thread', null][1 + noise // 1000 % 10] end as "Why",
    format('I-{:02d}-{}', client + 1, (site + look_number // 8 + noise // 7 % 2) % 40) as "By",
    case when kind = 'goods' then format('Supplier {}', noise // 5 % 6) end as "From",
    format('seen in bay {}, rack {}', bay, noise // 3 % 500) as "Remarks"
from counts
