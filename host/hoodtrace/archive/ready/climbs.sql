-- How many climbs a visit takes, by the number of its terminals: quantiles, with the median of readings and of turned
-- valves, and the share of terminals that were within at the end.
-- Limits: a climb is going to another terminal to read it, or to one again after the house changed; climbs whose
-- reading was taken back, and those without a reading, are not counted. Visits without readings are not in it. A
-- terminal is within where it is so at every fan setting that it was read at; one that was never read is not.
with ends as (
    select visit, count(*) filter (where within) / count(*) as within_rel from (
        select visit, terminal, bool_and(coalesce(end_verdict = 'within', false)) filter (where n_readings > 0) as within
        from terminals where design_m3h > 0 and not left_out group by visit, terminal
    ) group by visit
)
select n_terminals, count(*) as n_visits, round(quantile_cont(n_climbs, 0.1), 1) as p10_climbs,
    round(median(n_climbs), 1) as median_climbs, round(quantile_cont(n_climbs, 0.9), 1) as p90_climbs,
    round(median(n_climbs / n_terminals), 2) as climbs_a_terminal, round(median(n_readings), 1) as median_readings,
    round(median(n_turns), 1) as median_turns, round(100 * median(within_rel), 1) as within_percent
from visits left join ends using (visit) where n_readings > 0 group by n_terminals order by n_terminals
