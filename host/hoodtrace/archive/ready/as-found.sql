-- How far terminals are from their design flow when they are first read, in % of it, by direction and kind of room:
-- quantiles, and how many of the verdicts were within, outside and undecided.
-- Limits: a first reading is one before its own valve, the fan or the house was changed; valves of other terminals may
-- have been turned before. Flows are as read, with the hood on where it was. Terminals without a design flow, or whose
-- valve was turned before its first reading, or whose air went the other way than planned, are not in it. A terminal
-- that was read at several fan settings counts once for each.
select direction, coalesce(room_kind, 'not said') as room_kind, count(*) as n_terminals,
    round(100 * quantile_cont(first_m3h / design_m3h - 1, 0.1), 1) as p10_percent,
    round(100 * median(first_m3h / design_m3h - 1), 1) as median_percent,
    round(100 * quantile_cont(first_m3h / design_m3h - 1, 0.9), 1) as p90_percent,
    count(*) filter (where first_verdict = 'within') as n_within,
    count(*) filter (where first_verdict = 'outside') as n_outside,
    count(*) filter (where first_verdict = 'undecided') as n_undecided
from terminals where first_verdict is not null and design_m3h > 0
group by all order by direction, room_kind
