"""What every problem has, whatever went wrong."""

from typing import Any

import httpx

from zoneledger.api.problems import MEDIA_TYPE, TABLE, TYPE_PREFIX

FIELDS = {"type", "title", "status", "detail", "instance", "code", "errors"}


def problem(answer: httpx.Response, code: str) -> dict[str, Any]:
    """Return the problem that an answer is; fail where it is not one of this code, whole and with its status."""
    assert answer.headers["content-type"] == MEDIA_TYPE, answer.text
    found: dict[str, Any] = answer.json()
    assert found.keys() == FIELDS
    assert (found["code"], found["type"]) == (code, TYPE_PREFIX + code)
    assert (answer.status_code, found["status"], found["title"]) == (found["status"], *TABLE[code])
    assert found["detail"]
    if answer.status_code == 503:
        assert int(answer.headers["retry-after"]) > 0
    return found
