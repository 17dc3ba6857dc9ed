"""Which columns a check fills, and visits with some of them only."""

from __future__ import annotations

CONTEXT = ("stage", "arrangement", "location", "pressure_hpa", "altitude_m", "intake_temp_c", "co2_origin")
GAS = ("o2_dry_pct", "co2_dry_pct", "co_dry_ppm")
TEMPERATURES = ("flue_temp_c", "air_in_temp_c", "air_out_temp_c")
CHECKS = {
    "ambient_air": ("ambient_o2_pct",),
    "probe_leak": ("probe_leak_test", "sample_line"),
    "analyser_settings": ("analyser_fuel",),
    "stage_and_steadiness": ("pump_hz", "o2_span_over_3min_pct", "flue_drift_k_per_min", "minutes_since_ignition"),
    "supply_voltage": ("supply_v",),
    "intake_air_co2": ("intake_co2_pct", "intake_o2_pct"),
    "heating_air": ("air_in_temp_c", "air_out_temp_c"),
    "look_at_terminals": ("terminals",),
    "port_pressures": ("intake_static_pa", "exhaust_static_pa"),
    "fuel_sample": ("fuel_sample",),
    "pump_delivery": ("strokes", "delivered_ml"),
    "blower_speed": ("blower_rpm",),
    "span_gas": ("span_o2_pct", "span_o2_read_pct"),
    "strip_down": ("strip_down",),
    "baseline_record": ("plate_number",),
}
ROW_OF_CHECK = {"second_stage": 1, "intake_duct_off": 2, "exhaust_duct_off": 3}
WORKSHOP = tuple(
    column
    for check in ("port_pressures", "supply_voltage", "ambient_air", "probe_leak", "pump_delivery")
    for column in CHECKS[check]
)


def only(visit, columns, rows=(0,)):
    """The rows of a visit with some columns only (context always kept); columns None = all."""
    return [
        {key: value for key, value in visit[index].items() if columns is None or key in CONTEXT or key in columns}
        for index in rows
    ]


def with_check(known, visit, check):
    """The known rows of a visit with the columns of one more check."""
    if check in ROW_OF_CHECK:
        columns = (*GAS, *(key for key in TEMPERATURES if key in known[0]))
        return [*known, *only(visit, columns, (ROW_OF_CHECK[check],))]
    more = {key: visit[0][key] for key in CHECKS.get(check, ()) if key in visit[0]}
    return [{**known[0], **more}, *known[1:]]
