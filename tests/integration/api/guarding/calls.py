"""Every call with what it takes, written down by hand: the table of the program is held against this one, and not used here."""

from typing import Any, NamedTuple

from tests.integration.api.plant import CELL, OTHER, morning

DAY = "day=2026-03-02"
SAID = {"start": "2026-03-02T06:00:00Z", "end": "2026-03-02T06:10:00Z", "reason": "crane", "by": "shift-lead"}
RUN = {
    "name": "morning",
    "start": "2026-03-02T06:00:00Z",
    "end": "2026-03-02T08:00:00Z",
    "confidence": 0.9,
    "targets": {"oee": 0.5},
}
PLANT_IS_SENT = "the plant"


class Call(NamedTuple):
    """A call, and what it takes.

    `scope`: open, known or a scope. `reach`: whether it names CELL (`unit`), its numbers stand for something of CELL (`unit`), it is
    about the whole plant (`all`), or is answered of what the caller reaches (`own`), or is about no unit (`none`). `unnamed` is the
    same call without a unit, where that can be left out and only who reaches all units may.
    """

    route: str
    scope: str
    reach: str
    path: str = ""
    body: Any = None
    unnamed: str = ""
    unnamed_body: Any = None
    answers: tuple[int, ...] = (200, 201, 204)

    @property
    def method(self) -> str:
        return self.route.split()[0]

    @property
    def asked(self) -> str:
        return self.path or self.route.split()[1]


def _of_unit(name: str, query: str = "") -> Call:
    return Call(f"GET /v1/{name}/{{unit}}", "read", "unit", f"/v1/{name}/{CELL}{query and '?'}{query}")


def _list(name: str, more: str = "") -> Call:
    path = f"/v1/{name}?{more and more + '&'}"
    return Call(f"GET /v1/{name}", "read", "unit", f"{path}unit={CELL}", unnamed=path)


CALLS = (
    Call("GET /v1/plant", "read", "all"),
    Call("PUT /v1/plant", "admin", "all", body=PLANT_IS_SENT),
    Call("POST /v1/messages", "ingest", "unit", body={"cell": CELL, "messages": morning()[:2]}),
    Call("GET /v1/units", "read", "own"),
    Call("GET /v1/live", "read", "own"),
    *(_of_unit(name, DAY) for name in ("timeline", "evidence", "kpi", "rates", "pace", "failures", "losses", "panels")),
    *(_of_unit(name, DAY) for name in ("prospects", "sheet", "revisions", "questions")),
    _of_unit("reasons"),
    Call("GET /v1/shifts/{line}", "read", "unit", f"/v1/shifts/{CELL}?{DAY}"),
    Call("GET /v1/commissioning/{cell}", "read", "unit", f"/v1/commissioning/{CELL}"),
    Call("POST /v1/reasons", "reasons", "unit", body={"unit": CELL, **SAID}),
    Call(
        "POST /v1/reasons/{id}/undo", "reasons", "unit", "/v1/reasons/1/undo", {"by": "shift-lead"}, answers=(201, 409)
    ),
    Call("GET /v1/proofs", "read", "own"),
    Call("POST /v1/proofs", "admin", "unit", body={"unit": CELL, **RUN}),
    Call("GET /v1/proofs/{id}", "read", "unit", "/v1/proofs/1"),
    Call("GET /v1/proofs/{id}/check", "read", "unit", "/v1/proofs/1/check"),
    Call("POST /v1/proofs/{id}/freeze", "admin", "unit", "/v1/proofs/1/freeze"),
    Call("GET /v1/refused", "read", "unit", f"/v1/refused?cell={CELL}", unnamed="/v1/refused"),
    Call("GET /v1/refused/counts", "read", "unit", f"/v1/refused/counts?cell={CELL}", unnamed="/v1/refused/counts"),
    Call(
        "POST /v1/refused/retry",
        "ingest",
        "unit",
        body={"cell": CELL},
        unnamed="/v1/refused/retry",
        unnamed_body={"ids": [1]},
    ),
    *(_list(name) for name in ("gaps", "discrepancies", "unmatched", "events", "snapshots")),
    Call(
        "GET /v1/tables/{table}",
        "read",
        "unit",
        f"/v1/tables/spans?{DAY}&unit={CELL}",
        unnamed=f"/v1/tables/spans?{DAY}",
    ),
    Call("GET /v1/audit", "admin", "all"),
    Call("GET /metrics", "read", "all"),
    Call("GET /health/live", "open", "none"),
    Call("GET /health/ready", "open", "none"),
    Call("GET /openapi.json", "known", "none"),
    Call("GET /contract/message.schema.json", "known", "none"),
    Call("GET /contract/asyncapi.json", "known", "none"),
    Call("GET /", "known", "none"),
    Call("GET /sheet/{unit}", "known", "none", f"/sheet/{CELL}"),
    Call("GET /commissioning/{unit}", "known", "none", f"/commissioning/{CELL}"),
    Call("GET /assets/{name}", "known", "none", "/assets/sheet.js"),
    Call("GET /login", "open", "none"),
    Call("GET /v1/session", "known", "none"),
    Call("POST /v1/session", "open", "none", body={}, answers=(422,)),
    Call("DELETE /v1/session", "open", "none"),
)
#: A part of one call is open, too: what the page to log in at is made of.
OPEN_ASSETS = {"login.js", "core.js", "shade.js", "sheet.css", "icon.svg"}
OF_OTHERS = OTHER
