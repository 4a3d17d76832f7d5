-- One row: a supplier of a client, the goods of all its sites and months added up.
select client, supplier, sum(received)::bigint as received, sum(rejected)::bigint as rejected
from receiving_rejects
group by client, supplier
order by client, supplier
