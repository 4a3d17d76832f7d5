-- Makes the view line_gaps, for as long as the connection is open. One row: a current line that fell in a gap between
-- two looks, and the look that closed it; that of an item with a serial may be at another place.
create or replace temp view line_gaps as
select line.file_sha256, line.row, line.inspection_type, line.inspected_on, line.removed, line.item_class,
    look.client,
    arg_min(look.site, look.inspected_on) as site,
    arg_min(look.environment, look.inspected_on) as environment,
    arg_min(look.previous_on, look.inspected_on) as previous_on,
    min(look.inspected_on) as closed_on
from current_lines as line
join exposures as look
    on look.client = line.client and look.item_class = line.item_class
    and look.serial is not distinct from line.serial
    and (look.serial is not null or (look.site = line.site and look.environment = line.environment))
    and look.previous_on < line.inspected_on and look.inspected_on >= line.inspected_on
group by line.file_sha256, line.row, line.inspection_type, line.inspected_on, line.removed, line.item_class, look.client
