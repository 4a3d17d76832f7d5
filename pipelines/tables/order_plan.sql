-- One row: an item class of a client that is in service or in the stock register. $as_of: the last day counted;
-- $phrases: dispositions that say that a matching pin was fitted; $least_received: goods of one supplier below which the
-- share refused is the least that agrees with them. Nothing is borrowed from other suppliers: they may have nothing in common.
with in_service as (      -- one row: a client and an item class
    select distinct client, item_class from overdue_inspections
),
history as (              -- one row: a client and an item class, with what looks with an earlier one say of it
    select client, item_class, sum(shackle_years) as shackle_years
    from exposures
    where not is_first_look
    group by client, item_class
),
pins as (                 -- one row: a client and an item class with removals in service
    select client, item_class,
        coalesce(sum(removed) filter (
            where len(list_filter($phrases::varchar[], lambda phrase: contains(lower(disposition), phrase))) > 0
        ), 0) / sum(removed) as share_pins
    from summed_months
    where inspection_type <> 'initial' and removed > 0 and month <= $as_of
    group by client, item_class
)
select client, item_class,
    stock.counted_on, stock.on_hand, stock.on_order, stock.lead_time_days, stock.lead_time_sd_days, stock.unit_cost,
    stock.currency, stock.pack_size, stock.minimum_order, stock.supplier,
    (stock.order_due_on - $as_of::date)::bigint as due_in_days,
    ($as_of::date - stock.counted_on)::bigint as counted_days_ago,
    case when goods.received >= $least_received then goods.rejected / goods.received
        else goods.share_rejected_lower end as share_rejected,
    coalesce(goods.received < $least_received, false) as is_share_of_few,
    coalesce(pins.share_pins, 0) as share_pins,
    coalesce(history.shackle_years, 0) as shackle_years
from in_service
full join (
    from stock_register where gear_family = (select gear_family from counted_gear)
) as stock using (client, item_class)
left join supplier_rejects as goods on goods.client = stock.client and goods.supplier = stock.supplier
left join pins using (client, item_class)
left join history using (client, item_class)
-- A register may hold clients of whom no line is loaded yet.
where client in (select client from wordings where first_on <= $as_of)
order by client, item_class
