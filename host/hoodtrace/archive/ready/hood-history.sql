-- How each hood's vane reads against its taps at each visit, in time, with the constants of its hood file of that day.
-- ratio_percent is vane over taps (median of n plateaus), each with its own constants; bare_percent the same without
-- k and c; since_first_percent how far that has moved since the hood's first visit in the archive.
-- Limits: hoods are told apart by name and bore (mm). Flow, fluctuation and a new offset, exponent or gain move the
-- ratio too; some percent from visit to visit mean little, a steady drift or a step means: look at the hood
-- (`hoodtrace hood --history` judges it). Plateaus in which a channel says nothing are not in it.
with each_one as (
    select h.hood, h.bore_mm, v.begun_utc, p.visit, p.direction,
        case p.direction when 'supply' then h.k_supply else h.k_extract end as k,
        case p.direction when 'supply' then h.c_supply else h.c_extract end as c,
        p.vane_m3h / p.taps_m3h as ratio
    from plateaus p join hoods h using (visit) join visits v using (visit)
    where p.state = 'reading' and p.direction in ('supply', 'extract') and p.vane_m3h > 0 and p.taps_m3h > 0
), each_visit as (
    select hood, bore_mm, direction, begun_utc, visit, any_value(k) as k, any_value(c) as c, count(*) as n,
        median(ratio) as ratio, median(ratio) / any_value(k) * any_value(c) as bare
    from each_one group by hood, bore_mm, direction, begun_utc, visit
)
select hood, bore_mm, direction, begun_utc, n, k, c, round(100 * ratio, 2) as ratio_percent,
    round(100 * bare, 2) as bare_percent,
    round(100 * (bare / first_value(bare) over (
        partition by hood, bore_mm, direction order by begun_utc nulls last, visit
    ) - 1), 2) as since_first_percent
from each_visit order by hood, bore_mm, direction, begun_utc nulls last, visit
