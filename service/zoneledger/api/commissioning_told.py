"""Makes the answer of /v1/commissioning of what was heard of a cell."""

from collections import Counter

from zoneledger.api.commissioning_answers import (
    AlarmShown,
    CommissioningAnswer,
    DiscrepanciesSeen,
    DiscrepancyShown,
    FindingAnswer,
    GapShown,
    GapsSeen,
    LinkSeen,
    Pause,
    RateSeen,
    RefusedSeen,
    RefusedShown,
    SinceEver,
    TypeSeen,
)
from zoneledger.api.times import rfc3339, rfc3339_or_none, seconds, seconds_or_none
from zoneledger.application.commissioning import judge, kept
from zoneledger.application.findings import Finding
from zoneledger.application.hearing import Hearing
from zoneledger.application.stored import Listed, RefusedRow, unknown_fields_of
from zoneledger.core.rows import Discrepancy, Gap
from zoneledger.core.spans import Interval

#: So many of the last refused messages, gaps and discrepancies of a kind are shown, and so many types and fields.
SHOWN, TYPES = 5, 50


def _finding(found: Finding) -> FindingAnswer:
    return FindingAnswer(
        code=found.code,
        severity=found.severity,
        text=found.text,
        number=found.number,
        first=rfc3339_or_none(found.first_us),
        last=rfc3339_or_none(found.last_us),
    )


def _events(heard: Hearing) -> dict[str, TypeSeen]:
    known = ("activity", "alarm", "fastener", "verdict", "wait")
    others = [name for name in heard.events if name not in known][:TYPES]
    found = {name: heard.events.get(name) for name in (*known, *others)}
    return {
        name: TypeSeen(number=kind.number if kind else 0, last=rfc3339_or_none(kind.last_us if kind else None))
        for name, kind in found.items()
    }


def _pause(pause: Interval | None) -> Pause | None:
    if pause is None:
        return None
    return Pause(seconds=seconds(pause[1] - pause[0]), start=rfc3339(pause[0]), end=rfc3339(pause[1]))


def _refused(rows: list[Listed[RefusedRow]]) -> RefusedSeen:
    last = [
        RefusedShown(
            id=one.id,
            arrived=rfc3339(one.row.arrived_us),
            reason=one.row.reason,
            detail=one.row.detail,
            text=one.row.body.decode("utf-8", "replace"),
        )
        for one in rows[:SHOWN]
    ]
    return RefusedSeen(number=len(rows), by_reason=dict(Counter(one.row.reason for one in rows)), last=last)


def _gaps(rows: list[Gap]) -> GapsSeen:
    last = [
        GapShown(boot=gap.place.boot, first_seq=gap.first_seq, last_seq=gap.last_seq, until=rfc3339(gap.until_us))
        for gap in rows[:SHOWN]
    ]
    return GapsSeen(number=len(rows), events=sum(gap.last_seq - gap.first_seq + 1 for gap in rows), last=last)


def _discrepancies(rows: list[Discrepancy]) -> DiscrepanciesSeen:
    last = [
        DiscrepancyShown(
            boot=row.place.boot, seq=row.place.seq, at=rfc3339(row.at_us), zone=row.zone or None, detail=row.detail
        )
        for row in rows[:SHOWN]
    ]
    return DiscrepanciesSeen(number=len(rows), last=last)


def _since_ever(counts: dict[str, int]) -> SinceEver:
    fields = unknown_fields_of(counts)
    names = ("events", "snapshots", "duplicate", "refused")
    return SinceEver(
        **{name: counts.get(name, 0) for name in names}, unknown_fields=dict(sorted(fields.items())[:TYPES])
    )


def answer_of(heard: Hearing) -> CommissioningAnswer:
    """Return the answer on a cell."""
    findings = judge(heard)
    return CommissioningAnswer(
        cell=heard.cell,
        start=rfc3339(heard.start_us),
        end=rfc3339(heard.end_us),
        kept=kept(findings),
        findings=[_finding(found) for found in findings],
        events=_events(heard),
        snapshots=TypeSeen(
            number=heard.snapshots.number if heard.snapshots else 0,
            last=rfc3339_or_none(heard.snapshots.last_us if heard.snapshots else None),
        ),
        link=LinkSeen(
            state=heard.link, since=rfc3339_or_none(heard.link_us), went_down=rfc3339_or_none(heard.link_down_us)
        ),
        rate=RateSeen(
            per_minute=heard.messages_per_minute,
            longest_silence=_pause(heard.silence),
            longest_between_snapshots=_pause(heard.apart),
        ),
        refused=_refused(heard.refused),
        gaps=_gaps(heard.gaps),
        discrepancies={kind: _discrepancies(rows) for kind, rows in heard.discrepancies.items()},
        clock_offset_s=seconds_or_none(heard.present_clock_us),
        fasteners=heard.made.number,
        unrated=sum(heard.made.unrated.values()),
        unseen=heard.unseen,
        zones_never_told=[zone for zone in heard.zones if zone not in heard.zones_told],
        alarms=[
            AlarmShown(
                zone=one.zone or None, code=one.code, severity=one.severity, raised=rfc3339_or_none(one.raised_us)
            )
            for one in heard.alarms
        ],
        since_ever=_since_ever(heard.counts),
    )
