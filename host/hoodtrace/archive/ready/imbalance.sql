-- How supply and extract compare at the end of a visit: over all visits whose terminals were all read, the quantiles of
-- (supply - extract) / the larger of the two, in %, by fan setting; positive: more supply.
-- within_percent is the share of visits whose supply / extract is inside the plan's own balance tolerance.
-- Limits: flows as they were read (m3/h, with the hood on where it was), not weighed by density, and errors that all
-- readings of a hood share are in it where supply and extract do not cancel them. Terminals that were left out, or
-- can't be measured, count as none. Visits without supply or without extract, and those where the air of a terminal
-- went the other way than planned, are not in it.
with sides as (
    select visit, setting, direction, count(*) as n,
        count(end_m3h) filter (where not contains(coalesce(end_flags, ''), 'direction is not the plan''s')) as n_read,
        sum(end_m3h) as flow_m3h
    from terminals where not left_out group by visit, setting, direction
), pairs as (
    select s.setting,
        (s.flow_m3h - e.flow_m3h) / greatest(s.flow_m3h, e.flow_m3h) as gap_rel,
        abs(s.flow_m3h / e.flow_m3h - 1) <= balance_rel as within
    from sides s join sides e using (visit, setting) join visits v using (visit)
    where s.direction = 'supply' and e.direction = 'extract' and s.n = s.n_read and e.n = e.n_read
)
select setting, count(*) as n_visits,
    round(100 * quantile_cont(gap_rel, 0.1), 1) as p10_percent,
    round(100 * median(gap_rel), 1) as median_percent,
    round(100 * quantile_cont(gap_rel, 0.9), 1) as p90_percent,
    round(100 * median(abs(gap_rel)), 1) as median_size_percent,
    round(100 * avg(within::int), 1) as within_percent
from pairs group by setting order by n_visits desc, setting
