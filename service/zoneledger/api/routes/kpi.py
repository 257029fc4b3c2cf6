"""GET /v1/kpi: the figures of a unit."""

from collections.abc import Sequence
from typing import Annotated, Literal, NamedTuple

from fastapi import APIRouter, Header, Query, Request, Response
from msgspec.json import encode
from pydantic.json_schema import SkipJsonSchema

from zoneledger.api import kept
from zoneledger.api.access import ServiceOf, UnitPath, WindowParameters, optional, read_against, unit_of
from zoneledger.api.kept import Kept, KeptAnswers
from zoneledger.api.kpi_answers import ComparedAnswer, KpiAnswer, SeriesAnswer, compared_told, kpi_told
from zoneledger.api.problems import described
from zoneledger.api.turns import done_in_turn
from zoneledger.application.giving_way import giving_way
from zoneledger.application.kpi import Kpi, basis_of, kpis_from
from zoneledger.application.ports import Reading
from zoneledger.application.presums import AT_ONCE, Gathered, gather, gather_few, totals_of
from zoneledger.application.windows import Window, other_window, series_of, window_of
from zoneledger.bootstrap import Service
from zoneledger.core.errors import WindowInvalid
from zoneledger.core.plant import Unit

router = APIRouter(tags=["figures"], route_class=kept.Keeping)

#: An answer that takes more than this takes a turn, and is made aside.
FEW_WINDOWS, FEW_ROWS = 50, 200

IfNoneMatch = Annotated[
    str | SkipJsonSchema[None],
    Header(
        alias="If-None-Match",
        description="The ETag of an answer that the caller has: it is answered with 304 while that is still the answer",
        examples=['"2b1c9d0f6a7e4c53"'],
    ),
]


class KpiParameters(WindowParameters):
    """A window, and whether it is split or compared with another one."""

    by: Literal["hour", "shift", "day", "week", "month"] | SkipJsonSchema[None] = optional(
        "Give a series: the window split at the site's hours, days, ISO weeks or months, or the shifts that begin in it",
        "shift",
    )
    against: str | SkipJsonSchema[None] = optional(
        "Compare with another window of the unit: `before` (the shift or day before, or as much time before), a shift, a day, "
        "or two instants joined by `/`, and neither `now` nor `last`; not with `by`",
        "2026-11-24/early",
        max_length=100,
    )


def _windows(unit: Unit, parameters: KpiParameters, now_us: int) -> list[Window]:
    window, by = window_of(unit, parameters.asked(), now_us), parameters.by
    if parameters.against is None:
        return [window] if by is None else series_of(unit, window, by)
    if by is not None:
        raise WindowInvalid("A window is either split (by) or compared with another one (against).")
    return [window, other_window(unit, window, read_against(parameters.against), now_us)]


class _Made(NamedTuple):
    """An answer; with an ETag where its time is over and settled, and as it is kept where pre-sums tell all of it."""

    body: bytes
    etag: str | None = None
    kept: Kept | None = None


class _Asked:
    """A request for the figures of a unit, while it is answered."""

    def __init__(self, request: Request, service: Service, path: str, parameters: KpiParameters) -> None:
        self._request = request
        self._service = service
        self._path = path
        self._parameters = parameters
        self._now_us = service.now_us()

    async def answer(self) -> Response:
        """Return the answer: at once where pre-sums tell all of it, in turn with others where it costs more."""
        made = await self._read_little()
        if made is None:
            made = await done_in_turn(self._request, "figures", self._read)
        if made.etag is None:
            return Response(made.body, media_type=kept.MEDIA_TYPE)
        if made.kept is not None:
            answers: KeptAnswers = self._request.app.state.kept
            answers.keep(self._request, made.kept)
        return kept.respond(self._request, made.body, made.etag)

    async def _read_little(self) -> _Made | None:
        """Return the answer, or None where it takes more than a few rows."""
        async with self._service.store.reading() as reading:
            unit, windows = await self._meant(reading)
            if len(windows) > FEW_WINDOWS:
                return None
            gathered = await gather_few(reading, unit, windows, self._now_us, FEW_ROWS)
            return None if gathered is None else await self._make(reading, unit, windows, gathered)

    async def _read(self, service: Service) -> _Made:
        async with service.store.reading() as reading:
            unit, windows = await self._meant(reading)
            return await self._make(reading, unit, windows, await gather(reading, unit, windows, self._now_us))

    async def _meant(self, reading: Reading) -> tuple[Unit, list[Window]]:
        unit = await unit_of(self._service, reading, self._path)
        return unit, _windows(unit, self._parameters, self._now_us)

    async def _make(self, reading: Reading, unit: Unit, windows: list[Window], gathered: Gathered) -> _Made:
        now_us, limits = self._now_us, self._service.limits
        totals = await totals_of(reading, gathered, now_us, limits)
        kpis = await kpis_from(reading, unit, windows, totals, now_us, limits)
        body = await _body(unit, kpis, self._parameters)
        if not windows or any(window.stage(now_us, limits.silence_us) != "settled" for window in windows):
            return _Made(body)
        # What is asked for as `last` is another shift once the next one has ended, though nothing of this one changes. The window
        # of `against` moves only with this one, as `before`: read_against takes neither `now` nor `last`.
        keeps = gathered.is_whole and not self._parameters.asked().moves
        etag, basis = kept.etag_of(body), await basis_of(reading, unit, windows) if keeps else None
        if basis is None:
            return _Made(body, etag)
        return _Made(body, etag, Kept(basis, await reading.stamp(basis), etag, body))


async def _body(unit: Unit, kpis: Sequence[Kpi], parameters: KpiParameters) -> bytes:
    if parameters.against is not None:
        return encode(compared_told(*kpis))
    if parameters.by is None:
        return encode(kpi_told(kpis[0]))
    parts = [encode(kpi_told(kpi)) async for kpi in giving_way(kpis, AT_ONCE)]
    return b'{"unit":%b,"by":%b,"series":[%b]}' % (encode(unit.path), encode(parameters.by), b",".join(parts))


@router.get(
    "/v1/kpi/{unit:path}",
    response_model=ComparedAnswer | KpiAnswer | SeriesAnswer,
    responses=kept.DESCRIBED | described("unit_unknown", "shift_unknown", "window_invalid", "busy"),
)
async def get_kpi(
    request: Request,
    service: ServiceOf,
    unit: UnitPath,
    parameters: Annotated[KpiParameters, Query()],
    if_none_match: IfNoneMatch = None,  # noqa: ARG001  # for the document; it is read where the answer is sent
) -> Response:
    """OEE with its factors, times, fasteners, rates and utilisation of a site, line, cell or zone over one window, or a series.

    The window is `start` and `end`, or `shift`, or `day`. A window that is not over yet is read up to now. Compared with another
    window, the difference of the OEE is split into what each factor contributed. An answer about time that is over and settled has
    an ETag, which tells whether a later one is the same.
    """
    return await _Asked(request, service, unit, parameters).answer()
