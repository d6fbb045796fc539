-- What the present version of hoodtrace makes of the traces of readings that the journals keep: how many flows differ
-- from the kept ones, by how much (% of the kept flow), and how many by more than their kept 95 % half-width.
-- Limits: only readings that a trace was found for. Flows are compared to 0.001 %; a reading that was first made while
-- the board was still sending may have lacked lines that came late.
select kept_software, software, count(*) as n_readings,
    count(*) filter (where flow_m3h is null) as n_now_refused,
    count(*) filter (where abs(flow_m3h / kept_flow_m3h - 1) > 1e-5) as n_other_flow,
    count(*) filter (where abs(flow_m3h - kept_flow_m3h) > kept_expanded_m3h) as n_beyond_interval,
    round(100 * median(abs(flow_m3h / kept_flow_m3h - 1)), 3) as median_percent,
    round(100 * max(abs(flow_m3h / kept_flow_m3h - 1)), 3) as largest_percent
from plateaus where kept_flow_m3h is not null
group by kept_software, software order by kept_software, software
