"""A shift's sheet as tables for a terminal: figures, losses, reasons, open questions and notes."""

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

from zoneledger.wording import counted
from zoneledger_cli.reason_words import for_people, reason_of_cell
from zoneledger_cli.running import shown

NONE, AT_LEAST = "–", "≥"
#: So many reasons and open questions are shown.
MOST_ROWS = 10
#: As on the page: an OEE that may lie within more than this is told by its bounds alone, and a rate is the least that it can be
#: where more of planned time than this is unknown.
VAGUE, SLIGHT = 0.1, 0.005
#: As on the page: a window that still lasts is held against another one once it is so old.
YOUNG_S = 1800
FACTORS = ("availability", "performance", "quality")
#: What the steps of losses are called here.
STEPS = {
    "unknown": "unknown: no evidence",
    "fault": "stopped by alarms",
    "changeover": "loading, unloading, setting up",
    "idle": "standing",
    "minor_stops": "minor stops while running",
    "speed": "slower than the standard",
    "rework": "to be reworked",
    "reject": "rejected",
}


def percent(ratio: float | None) -> str:
    """Return a ratio as people read it."""
    return NONE if ratio is None else f"{ratio * 100:.1f} %"


def number(value: float | None) -> str:
    """Return a number without its fraction."""
    return NONE if value is None else f"{value:,.0f}"


def length(seconds: float) -> str:
    """Return a length of time as hours, minutes and seconds."""
    sign, whole = ("-" if seconds < 0 else ""), round(abs(seconds))
    return f"{sign}{whole // 3600}:{whole % 3600 // 60:02}:{whole % 60:02}"


def show(sheet: dict[str, Any], console: Console) -> None:
    """Print a sheet."""
    zone = ZoneInfo(sheet["timezone"])
    for part in _parts(sheet, zone):
        console.print(part, soft_wrap=not isinstance(part, Table), highlight=False)


def _parts(sheet: dict[str, Any], zone: ZoneInfo) -> Iterator[RenderableType]:
    begun, ended = (_local(sheet[name], zone) for name in ("start", "end"))
    yield shown(f"{sheet['unit']}, {sheet['label'] or 'a window'}: {begun} to {ended} ({sheet['timezone']})")
    yield _figures(sheet)
    yield from _heed(sheet)
    yield _losses(sheet["losses"])
    yield _reasons(sheet["losses"]["reasons"]["by_time"])
    yield from _questions(sheet, zone)
    yield from _notes(sheet, zone)


def _local(instant: str, zone: ZoneInfo) -> str:
    return datetime.fromisoformat(instant).astimezone(zone).strftime("%Y-%m-%d %H:%M")


def _table(title: str, words: Sequence[str], numbers: Iterable[str]) -> Table:
    """Return a table whose first columns are words and whose others are numbers."""
    table = Table(title=title, title_justify="left")
    first, *others = words
    table.add_column(first, no_wrap=True)
    for name in others:
        table.add_column(name, overflow="fold")
    for name in numbers:
        table.add_column(name, justify="right")
    return table


def _figures(sheet: dict[str, Any]) -> Table:
    columns = ("OEE", "at least", "at most", "available", "performed", "quality", "made", "good", "per hour", "known")
    table = _table("Figures; good ones per planned hour of a cell", ["unit"], columns)
    own = [] if sheet["level"] == "cell" else [cell["figures"] for cell in sheet["cells"]]
    other = sheet["figures"].get("against")
    notes = ["The first row is added up over its cells."] if len(own) > 1 else []
    told = (sheet["figures"], *own, *([other] if other else []))
    if any(map(_is_least, told)):
        notes.append(f"{AT_LEAST}: at least so many, as what was made in unknown time is not counted.")
    if any(map(_is_vague, told)):
        notes.append(
            "Where no OEE is told, too much is unknown: what is available, performed and quality is of the known time."
        )
    table.caption = " ".join(notes) or None
    for figures in (sheet["figures"], *own):
        table.add_row(_below(sheet, figures["unit"]), *_row(figures))
    if other is not None:
        table.add_section()
        table.add_row(shown(f"before: {other['label'] or other['start']}"), *_row(other))
        table.add_row("change, in points", *(["too early"] if _is_young(sheet) else _change(sheet["figures"], other)))
    if sheet["target"] is not None:
        promised = sheet["target"]
        table.add_row("promised", percent(promised["oee"]), *[""] * 7, number(promised["good_per_hour"]))
    return table


def _below(sheet: dict[str, Any], unit: str) -> Text:
    """Return a unit's path from the sheet's own unit on, as the title tells that one."""
    return shown(unit.removeprefix(f"{sheet['unit']}/"))


def _row(figures: dict[str, Any]) -> list[str]:
    oee = None if _is_vague(figures) else figures["oee"]
    fasteners = figures["fasteners"]
    return [
        *(percent(ratio) for ratio in (oee, *figures["oee_bounds"], *(figures[name] for name in FACTORS))),
        *(_at_least(figures, value) for value in (fasteners["made"], fasteners["good"])),
        _at_least(figures, figures["fasteners_per_hour"]["good"]),
        percent(figures["known"]),
    ]


def _is_vague(figures: dict[str, Any]) -> bool:
    """Tell whether so much is unknown that a single figure of an OEE would mislead."""
    low, high = figures["oee_bounds"]
    return low is not None and high is not None and high - low > VAGUE


def _is_least(figures: dict[str, Any]) -> bool:
    """Tell whether more may have been made, as enough of planned time is unknown."""
    unknown_s, planned_s = figures["time_s"]["unknown"], figures["planned_s"]
    return bool(unknown_s > SLIGHT * planned_s)


def _at_least(figures: dict[str, Any], value: float | None) -> str:
    told = number(value)
    return f"{AT_LEAST} {told}" if value is not None and _is_least(figures) else told


def _is_young(sheet: dict[str, Any]) -> bool:
    """Tell whether so little of a window is over that it is held against nothing."""
    start, until, end = (datetime.fromisoformat(sheet[name]) for name in ("start", "until", "end"))
    return until < end and (until - start).total_seconds() < YOUNG_S


def _change(figures: dict[str, Any], other: dict[str, Any]) -> list[str]:
    """Return the change of the OEE, and what each factor contributed to it; of unknown time it may be another one."""
    change = figures["oee_change"]
    (low, high), (other_low, other_high) = figures["oee_bounds"], other["oee_bounds"]
    if change["oee"] is not None and (low < high or other_low < other_high) and low <= other_high and other_low <= high:
        return ["not sure"]
    if change["oee"] is not None and (_is_vague(figures) or _is_vague(other)):
        return ["more" if low > other_high else "less"]
    told = {name: NONE if value is None else f"{value * 100:+.1f}" for name, value in change.items()}
    return [told["oee"], "", "", *(told[name] for name in FACTORS)]


def _heed(sheet: dict[str, Any]) -> Iterator[RenderableType]:
    """Say what to know before the figures are quoted, each thing once."""
    parts = (sheet["figures"], sheet["losses"], sheet["panels"])
    told = (for_people(one["text"]) for part in parts for one in part["warnings"] if one["code"] != "unknown_time")
    texts = dict.fromkeys((*_unknown(sheet["figures"]), *told, *_uncounted(sheet)))
    if texts:
        yield "Before you quote these figures:"
    yield from (shown(f"- {text}") for text in texts)


def _uncounted(sheet: dict[str, Any]) -> Iterator[str]:
    """Name the cells of which a controller counts others than were received; those of a single cell are told already."""
    cells = [cell["figures"] for cell in sheet["cells"] if cell["figures"]["fasteners"]["unseen"]]
    if sheet["level"] != "cell" and cells:
        unseen = {_below(sheet, one["unit"]).plain: one["fasteners"]["unseen"] for one in cells}
        told = (f"{name} {number(abs(value))} {'more' if value > 0 else 'fewer'}" for name, value in unseen.items())
        yield f"Counted by the controllers beside what was received: {'; '.join(told)}."


def _unknown(figures: dict[str, Any]) -> Iterator[str]:
    """Say how much time is unknown, and what that means for the OEE."""
    unknown_s, (low, high) = figures["time_s"]["unknown"], map(percent, figures["oee_bounds"])
    if unknown_s:
        lies = f"is {low} all the same" if low == high else f"lies between {low} and {high}"
        yield f"{length(unknown_s)} of planned time is unknown: the OEE {lies}, whatever happened then."


def _losses(losses: dict[str, Any]) -> Table:
    table = _table(
        "From planned time to good work, in hours:minutes:seconds", ["what"], ["lost", "left", "left of planned"]
    )
    planned_s = losses["planned_s"]

    def row(what: str, lost: str, left_s: float) -> None:
        table.add_row(what, lost, length(left_s), percent(left_s / planned_s if planned_s else None))

    row("planned time", "", planned_s)
    for step in losses["steps"]:
        row(STEPS.get(step["step"], step["step"]), length(step["lost_s"]), step["left_s"])
    table.add_section()
    row("good work by the standard", "", losses["good_standard_s"])
    return table


def _reasons(by_time: list[dict[str, Any]]) -> Table:
    table = _table("What it was lost to", ["state", "reason", "said to be"], ["time", "times", "longest"])
    by_time = sorted(by_time, key=lambda one: one["state"] == "unknown")  # which is not known to be lost
    for one in by_time[:MOST_ROWS]:
        said = ", ".join(f"{name} {length(seconds)}" for name, seconds in one["given"].items())
        times = (length(one["lost_s"]), number(one["occurrences"]), length(one["longest_s"]))
        table.add_row(one["state"], shown(reason_of_cell(one["state"], one["reason"])), shown(said), *times)
    if len(by_time) > MOST_ROWS:
        table.caption = f"{counted(len(by_time) - MOST_ROWS, 'further reason is', 'further reasons are')} left off"
    return table


def _questions(sheet: dict[str, Any], zone: ZoneInfo) -> Iterator[RenderableType]:
    questions = sheet["questions"]
    unknown_s = sheet["figures"]["time_s"]["unknown"]
    besides = f"{length(unknown_s)} of planned time is unknown" if unknown_s else ""
    if not questions["number"]:
        yield f"No open questions: {besides or 'every stretch longer than a minute has its reason'}."
        return
    together = length(questions["total_s"])
    stretches = counted(questions["number"], "stretch", "stretches")
    title = f"Open questions: {stretches} without a reason, {together} together"
    table = _table(title, ["unit", "since", "state"], ["length"])
    table.caption = f"Besides, {besides}" if besides else None
    for one in questions["questions"][:MOST_ROWS]:
        table.add_row(_below(sheet, one["unit"]), _local(one["start"], zone), one["state"], length(one["length_s"]))
    yield table


def _notes(sheet: dict[str, Any], zone: ZoneInfo) -> Iterator[RenderableType]:
    if not sheet["notes"]:
        return
    table = _table("What people said", ["unit", "since", "said", "by", "note"], ["entry", "counts for"])
    for one in sheet["notes"]:
        said = f"undid entry {one['undoes']}" if one["undoes"] else one["reason"] or "took back what was said"
        counts = NONE if one["in_effect_s"] is None or not one["stands"] else length(one["in_effect_s"])
        told = (
            _below(sheet, one["unit"]),
            _local(one["start"], zone),
            shown(said),
            shown(one["by"]),
            shown(one["note"] or ""),
        )
        table.add_row(*told, str(one["id"]), counts)
    yield table
