-- What the present version of hoodtrace makes of the traces of readings that the journals keep: how many it does not
-- find again or refuses, how many flows differ from the kept ones, by how much (% of the kept flow), and how many by more
-- than their kept 95 % half-width.
-- Limits: n_not_found has readings whose trace is gone too; readings of a stretch that a person chose are not compared.
-- Flows are compared to 0.001 %; a reading that was first made while the board was still sending may have lacked lines
-- that came late.
with kept as (
    select r.visit, r.line from readings r where r.given and r.kept and r."by" = 'automatic' and r.trace is not null
    union select visit, kept_line from plateaus where kept_flow_m3h is not null
)
select v.software as kept_software, v.analysed_by as software, count(*) as n_readings,
    count(*) filter (where p.visit is null) as n_not_found,
    count(*) filter (where p.visit is not null and p.flow_m3h is null) as n_now_refused,
    count(*) filter (where abs(p.flow_m3h / p.kept_flow_m3h - 1) > 1e-5) as n_other_flow,
    count(*) filter (where abs(p.flow_m3h - p.kept_flow_m3h) > p.kept_expanded_m3h) as n_beyond_interval,
    round(100 * median(abs(p.flow_m3h / p.kept_flow_m3h - 1)), 3) as median_percent,
    round(100 * max(abs(p.flow_m3h / p.kept_flow_m3h - 1)), 3) as largest_percent
from kept k join visits v using (visit) left join plateaus p on p.visit = k.visit and p.kept_line = k.line
group by v.software, v.analysed_by order by v.software, v.analysed_by
