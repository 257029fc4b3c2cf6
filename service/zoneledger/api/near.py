"""What there is at a path that is asked for, or near it, where a request hits nothing."""

from difflib import get_close_matches

from fastapi import Request
from starlette.routing import Match

#: Of a path that there is not so much is looked at, and so many that are as much like it as this are named.
LONGEST_NAME, MOST_NEAR, LEAST_LIKE = 60, 2, 0.75
METHODS = ("GET", "POST", "PUT", "DELETE")


def methods_at(request: Request) -> list[str]:
    """Return the methods that this path takes; the error names those of one of its routes only."""
    scopes = {method: {**request.scope, "method": method} for method in METHODS}
    routes = request.app.routes
    return [method for method, scope in scopes.items() if any(r.matches(scope)[0] is Match.FULL for r in routes)]


def paths_near(request: Request) -> list[str]:
    """Return the paths whose names are much like what was asked for, the nearest first."""
    names = {path.partition("/{")[0]: path for path in reversed(request.app.state.paths)}
    first, *others = request.scope["path"][:LONGEST_NAME].strip("/").split("/")
    asked = [*(f"/{first}/{other}" for other in others[:1]), f"/{first}", f"/v1/{first}"]
    found = [name for one in asked for name in get_close_matches(one, names, MOST_NEAR, LEAST_LIKE)]
    return [names[name] for name in dict.fromkeys(found)][:MOST_NEAR]
