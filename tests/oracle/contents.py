"""Hypothesis strategies for what one message says: names, fields by type, and whole arbitrary contents."""

from typing import Any

from hypothesis import strategies as st

from tests.oracle.controller import CHANGEOVERS, ZONES

ACTIVITIES = ("process", *CHANGEOVERS)
CAUSES = ("panel", "operator", "head", "fasteners", "tool", "inspection", "upstream", "downstream", "other")
CODES = ("E-101", "E-102", "drill-worn")
PANELS, PROGRAMS, POSITIONS = ("pn-1", "pn-2"), ("skin-left", "skin-right"), ("r1", "r2", "r3")
UNKNOWN_TYPES = ("calibration", "heartbeat")

zone_names = st.sampled_from(ZONES)
alarm_zones = st.sampled_from((*ZONES, None))
codes = st.sampled_from(CODES)
severities = st.sampled_from(("stop", "stop", "notice"))
results = st.sampled_from(("good", "good", "good", "rework", "reject"))
panels, programs, positions = st.sampled_from(PANELS), st.sampled_from(PROGRAMS), st.sampled_from(POSITIONS)
planned_counts = st.fixed_dictionaries({"automatic": st.integers(0, 900), "manual": st.integers(0, 90)})


@st.composite
def activities(draw: st.DrawFn) -> dict[str, str]:
    """An activity's name, with or without program and panel."""
    optional = {"program": programs, "panel": panels}
    return draw(
        st.fixed_dictionaries({"activity": st.sampled_from(("process", "process", *ACTIVITIES))}, optional=optional)
    )


fastener_fields = st.fixed_dictionaries(
    {"operation": st.sampled_from(("drill", "fasten", "trim")), "result": results},
    optional={
        "item": st.sampled_from(("lb-8", "lb-10")),
        "position": positions,
        "panel": panels,
        "program": programs,
        "seconds": st.sampled_from((0, 4, 4.25, 5.2)),
    },
)
verdict_fields = st.fixed_dictionaries(
    {"panel": panels, "position": positions, "result": results},
    optional={"zone": zone_names, "by": st.just("station-7")},
)
listed_alarms = st.lists(
    st.fixed_dictionaries({"code": codes, "severity": severities}, optional={"zone": zone_names}),
    max_size=3,
    unique_by=lambda alarm: (alarm.get("zone"), alarm["code"]),
)
listed_zones = st.dictionaries(
    zone_names,
    st.builds(
        lambda activity, wait, made: {**activity, **wait, **made},
        st.one_of(st.just({}), activities()),
        st.fixed_dictionaries({}, optional={"wait": st.sampled_from(CAUSES)}),
        st.fixed_dictionaries({}, optional={"made": st.integers(0, 40)}),
    ),
)
unsettled_zones = st.dictionaries(
    zone_names, st.fixed_dictionaries({}, optional={"program": programs, "panel": panels})
)
unsettled_alarms = st.lists(st.fixed_dictionaries({"code": codes, "severity": severities}), max_size=3)


def arbitrary_contents() -> st.SearchStrategy[dict[str, Any]]:
    """A message of any type that keeps the contract, less its v, boot, seq and at."""
    begins = st.builds(
        lambda a, p: {**a, **p}, activities(), st.fixed_dictionaries({}, optional={"planned": planned_counts})
    )
    phases = st.sampled_from(("raise", "raise", "clear"))
    in_zone = st.fixed_dictionaries({"zone": zone_names})
    return st.one_of(
        st.builds(lambda z, a: {"type": "activity", "phase": "begin", **z, **a}, in_zone, begins),
        st.builds(lambda z, a: {"type": "activity", "phase": "end", **z, **a}, in_zone, activities()),
        st.builds(lambda z, f: {"type": "fastener", **z, **f}, in_zone, fastener_fields),
        st.fixed_dictionaries(
            {"type": st.just("alarm"), "phase": phases, "code": codes, "severity": severities},
            optional={"zone": zone_names},
        ),
        st.fixed_dictionaries(
            {
                "type": st.just("wait"),
                "zone": zone_names,
                "phase": st.sampled_from(("begin", "end")),
                "for": st.sampled_from(CAUSES[:3]),
            }
        ),
        st.builds(lambda f: {"type": "verdict", **f}, verdict_fields),
        st.fixed_dictionaries(
            {"type": st.sampled_from(UNKNOWN_TYPES)}, optional={"zone": zone_names, "depth": st.just(3)}
        ),
        st.fixed_dictionaries({"type": st.just("snapshot"), "zones": listed_zones, "alarms": listed_alarms}),
        st.fixed_dictionaries({"type": st.just("snapshot"), "zones": listed_zones, "alarms": listed_alarms}),
    )
