-- How long holds last that gave a terminal its reading, in s from seated to lifted, by direction: quantiles; and the
-- half-width of the air's part of the interval that was reached, in % of the flow.
-- Limits: a hold with several plateaus (a valve was turned meanwhile) counts once with all its time. Holds that gave no
-- reading, or one that was rejected or given to nobody, are not in it; readings without a trace, and windows that a
-- person made where none was found, have no hold.
with holds as (
    select visit, trace, hold, any_value(direction) as direction, max(hold_end_s - hold_start_s) as held_s,
        max(used_s) as used_s, min(expanded_random_m3h / flow_m3h) as air_rel
    from readings where given and state = 'reading' and trace is not null and hold_end_s > hold_start_s
        and ("by" <> 'person' or automatic_state is not null)
    group by visit, trace, hold
)
select direction, count(*) as n_holds, round(quantile_cont(held_s, 0.1), 1) as p10_s,
    round(quantile_cont(held_s, 0.25), 1) as p25_s, round(median(held_s), 1) as median_s,
    round(quantile_cont(held_s, 0.75), 1) as p75_s, round(quantile_cont(held_s, 0.9), 1) as p90_s,
    round(median(used_s), 1) as median_used_s, round(100 * median(air_rel), 1) as median_air_percent
from holds group by direction order by direction
