"""What a reader of figures should know before quoting them, in plain words and with a code."""

from collections.abc import Iterable, Sequence, Set
from math import ceil, floor
from typing import NamedTuple

from zoneledger.core.figures import Account, Figures
from zoneledger.core.states import NOT_KEPT, UNKNOWN
from zoneledger.wording import counted, first_of

Kind = tuple[str, str | None, str | None]

#: So many cells or zones are named in a sentence.
NAMED = 3


class Warning(NamedTuple):
    """A code for programs and a sentence for people."""

    code: str
    text: str


def _kinds(unrated: Set[Kind]) -> str:
    named = sorted((op, item or "any item", program or "no program") for op, item, program in unrated)
    more = f" and {len(named) - 3} more" if len(named) > 3 else ""
    return "; ".join(", ".join(kind) for kind in named[:3]) + more


#: How a window lies to the present, and what that means for its figures.
STAGES = {
    "not_begun": "The window has not begun yet, so there are no figures.",
    "not_over": "The window is not over yet: the figures are those up to now.",
    "not_settled": "The window ended less than half a minute ago: messages on their way may still change its figures.",
}


def warnings_of(level: str, account: Account, figures: Figures, unrated: Set[Kind], stage: str) -> list[Warning]:
    """Return the warnings that belong to an account and its figures; none where all is plain."""
    if stage == "not_begun":
        return [Warning(stage, STAGES[stage])]
    found = [Warning(stage, STAGES[stage])] if stage in STAGES else []
    return [*found, *_doubts(account, figures, unrated), *_level_warnings(level)]


def restated(cause: str) -> Warning:
    """Return the warning that belongs to figures that changed after their window was over; `cause` is the last change's."""
    text = (
        f"These figures changed after the window was over, last because {_why(cause)}; /v1/revisions lists each change."
    )
    return Warning("restated", text)


#: A score of Laplace's test beyond which the rate of failures is not called constant: one in twenty is so by chance.
TREND_SCORE = 1.96


def failure_warnings(begins_unseen: int, ends_unseen: int, trend: float | None) -> list[Warning]:
    """Return the warnings that belong to failures: of so many the begin or the end was not seen, `trend` is Laplace's score."""
    found = []
    if trend is not None and abs(trend) > TREND_SCORE:
        way = "rising" if trend > 0 else "falling"
        text = (
            f"Failures come at a {way} rate (score {trend:.2f}): one mean time between them misleads for this window."
        )
        found.append(Warning("trend", text))
    if begins_unseen:
        failures = counted(begins_unseen, "failure", "failures")
        text = f"{failures} came right after unknown time, so that one fault may be counted twice."
        found.append(Warning("begin_unseen", text))
    if ends_unseen:
        failures = counted(ends_unseen, "failure", "failures")
        text = f"{failures} had no end up to now, or to where the evidence ends: repairs may be longer."
        found.append(Warning("end_unseen", text))
    return found


def not_declared(cells: Sequence[str]) -> Warning:
    """Return the warning that belongs to figures without cells that the plant model does not name any more."""
    text = f"Left out is the ledger of {_these(cells, 'cell')}, which the plant model does not name any more"
    return Warning("not_declared", f"{text}: {first_of(cells, NAMED)}.")


def zones_not_declared(zones: Iterable[tuple[str, str]]) -> list[Warning]:
    """Return the warning that belongs to passes of zones, (cell, name), that the plant model names no more; none without any."""
    gone = sorted("/".join(zone) for zone in zones)
    text = f"The plant model does not name {_these(gone, 'zone')} any more; passes there are told all the same"
    return [Warning("zones_not_declared", f"{text}: {first_of(gone, NAMED)}.")] if gone else []


def older_ledger(cells: Sequence[str]) -> Warning:
    """Return the warning that belongs to what is read off activities and alarms that are not derived yet."""
    text = f"Until the ledger of {_these(cells, 'cell')} is derived anew after an upgrade, panels, programs and subsystems are missing"
    return Warning("older_ledger", f"{text}: {first_of(cells, NAMED)}.")


def not_derived(cells: Sequence[str]) -> Warning:
    """Return the warning that belongs to what is read off activities and alarms that never will be derived."""
    text = (
        "Of part of this window the ledger was derived by an earlier version, and its messages are not kept any more, so that "
        "panels, programs and subsystems are missing there for good: "
    )
    return Warning("not_derived", f"{text}{first_of(cells, NAMED)}.")


#: Why figures changed, by the causes of revisions that are always the same.
_BECAUSE = {
    "late messages": "messages came late",
    "messages after a silence": "messages came after a silence",
    "link up and down again": "the link of a controller went up and down again",
    "verdicts": "verdicts on fasteners came",
    "rebuild": "the ledger was derived anew",
}
#: And by how the others begin, which end with a version of the plant model or a role.
_BECAUSE_OF = {
    "plant version ": "the plant model was changed (version {})",
    "reason given by ": "a reason was given by {}",
    "reason taken back by ": "a reason was taken back by {}",
    "given reason undone by ": "a given reason was undone by {}",
}


def _why(cause: str) -> str:
    for begin, why in _BECAUSE_OF.items():
        if cause.startswith(begin):
            return why.format(cause.removeprefix(begin))
    return _BECAUSE.get(cause, f"of {cause}")


def _these(names: Sequence[str], name: str) -> str:
    return f"this {name}" if len(names) == 1 else f"these {name}s"


def _level_warnings(level: str) -> list[Warning]:
    text = "A zone that waits for the head while its twin runs has lost nothing; ask the cell for OEE."
    return [Warning("zone_oee", text)] if level == "zone" else []


def _unknown(minutes: float, figures: Figures) -> str:
    """Say how much is unknown, and what the OEE may be for that: each bound rounded away from the other."""
    text = f"For {minutes:.1f} min of planned time there is no evidence"
    low, high = figures.oee_low, figures.oee_high
    if low is not None and high is not None:
        text += f", so that the OEE is between {floor(low * 1000) / 10:.1f} % and {ceil(high * 1000) / 10:.1f} %"
    return f"{text}; see known and oee_bounds of /v1/kpi."


def _doubts(account: Account, figures: Figures, unrated: Set[Kind]) -> list[Warning]:
    found = []
    if account.planned_us == 0:
        found.append(Warning("no_planned_time", "No planned time lies in this window, so nothing is divided by it."))
    if account.unknown_us:
        found.append(Warning("unknown_time", _unknown(account.unknown_us / 60e6, figures)))
    if forgotten_us := account.reasons.get((UNKNOWN, NOT_KEPT)):
        minutes = forgotten_us / 60e6
        found.append(Warning("not_kept", f"For {minutes:.1f} min of planned time the ledger is not kept any more."))
    if account.unrated:
        made = counted(account.unrated, "fastener", "fasteners")
        text = f"No standard for {made}, left out of performance: {_kinds(unrated)}."
        found.append(Warning("unrated", text))
    if figures.performance is not None and figures.performance > 1:
        found.append(Warning("performance_above_1", "Performance is above 1: the standard is slower than the cell."))
    if account.outside_planned:
        made = counted(account.outside_planned, "fastener", "fasteners")
        text = f"Not counted in the figures: {made} made outside planned time."
        found.append(Warning("outside_planned", text))
    if account.unseen_more:
        made = counted(account.unseen_more, "fastener", "fasteners")
        text = f"The controller counts {made} more than were received: output is understated, and quality may be wrong either way."
        found.append(Warning("unseen", text))
    if account.unseen_fewer:
        made = counted(account.unseen_fewer, "fastener", "fasteners")
        text = f"The controller counts {made} fewer than were received: output may be overstated."
        found.append(Warning("unseen", text))
    return found
