"""The OpenAPI 3.1 document, made from the table of endpoints and their structs."""

from __future__ import annotations

import re
from typing import Any

import msgspec

import labref
from labref_web import structs
from labref_web.endpoints import API, ENDPOINTS, Endpoint
from labref_web.guard import Permission

_REF = "#/components/schemas/{name}"
_MEANINGS = {
    400: "A parameter or the body is not of the form that is described",
    401: "A token is needed",
    403: "Not permitted",
    404: "There is nothing of that name",
    409: "Refused as things stand; the text says why",
    413: "The body is too long",
    414: "The address is too long",
    415: "The body is not application/json",
    421: "The service is not known by that name",
    422: "The parameters are well formed, but do not go together",
    503: "Too many questions wait already, or the state is not renewed",
}
_ALWAYS = (400, 414, 421)
_TEXT = {"type": "string"}

_SAID = """What the light of a laboratory is and was: good, bad or unknown, with reasons.

Times are integer nanoseconds UTC (`*_ns`) and ISO text. Exact frequencies are decimal text with a
float offset beside it. Unknown is a state, never a missing answer."""


def document() -> dict[str, Any]:
    """The whole document as plain values."""
    structs_used = _structs()
    schemas = msgspec.json.schema_components(structs_used, ref_template=_REF)[1]
    paths: dict[str, Any] = {}
    for endpoint in ENDPOINTS:
        paths.setdefault(endpoint.path, {})[endpoint.method.lower()] = _operation(endpoint)
    paths.update(_plain_paths())
    return {
        "openapi": "3.1.0",
        "info": {"title": "labref", "version": labref.__version__, "description": _SAID},
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "read": {"type": "http", "scheme": "bearer", "description": "The reading token."},
                "act": {"type": "http", "scheme": "bearer", "description": "The acting token."},
            },
        },
    }


def _structs() -> list[type[msgspec.Struct]]:
    found = {endpoint.answer for endpoint in ENDPOINTS}
    found |= {endpoint.body for endpoint in ENDPOINTS if endpoint.body is not None}
    found |= {structs.State, structs.Problem, structs.Note, structs.FaultView, structs.AttemptView}
    found |= {structs.ShotView, structs.AlarmView}
    return sorted(found, key=lambda struct: struct.__name__)


def _operation(endpoint: Endpoint) -> dict[str, Any]:
    statuses = {*_ALWAYS, *endpoint.errors, *_gate(endpoint.permission)}
    found: dict[str, Any] = {
        "operationId": _identity(endpoint),
        "summary": endpoint.summary,
        "parameters": [*_in_path(endpoint.path), *_in_query(endpoint.query)],
        "responses": {"200": _answer(endpoint.answer)},
        "security": _security(endpoint.permission),
    }
    if endpoint.body is not None:
        statuses |= {413, 415}
        content = {"application/json": {"schema": {"$ref": _ref(endpoint.body)}}}
        found["requestBody"] = {"required": True, "content": content}
    found["responses"].update(_refusals(statuses))
    return found


def _plain_paths() -> dict[str, Any]:
    """Endpoints whose answer is no JSON of a struct of its own."""
    events = "Server-sent events `state` (State), `alarm`, `fault`, `shot`, `attempt`, `note`"
    since = {
        "name": "Last-Event-ID",
        "in": "header",
        "required": False,
        "schema": {"type": "string", "pattern": "^[0-9]{1,20}$"},
        "description": "Number of the last event seen: what was missed comes first.",
    }
    file = _in_path(f"{API}/trace/{{file}}")
    return {
        f"{API}/state": _get(
            "state", "Everything of this moment", _answer(structs.State), statuses=(503,)
        ),
        f"{API}/stream": _get(
            "stream", events, _text("text/event-stream"), parameters=[since], statuses=(503,)
        ),
        f"{API}/trace/{{file}}": _get(
            "trace_file",
            "One file of the trace",
            {"description": "HDF5", "content": {"application/x-hdf5": {"schema": {}}}},
            parameters=file,
            statuses=(404, 416, 503),
        ),
        "/metrics": _get("metrics", "Prometheus text", _text("text/plain"), statuses=(503,)),
    }


def _get(
    name: str,
    summary: str,
    answer: dict[str, Any],
    parameters: list[dict[str, Any]] | None = None,
    statuses: tuple[int, ...] = (),
) -> dict[str, Any]:
    return {
        "get": {
            "operationId": name,
            "summary": summary,
            "parameters": parameters or [],
            "responses": {"200": answer, **_refusals({*_ALWAYS, 401, *statuses})},
            "security": _security(Permission.READ),
        }
    }


def _identity(endpoint: Endpoint) -> str:
    return re.sub(r"\W+", "_", endpoint.path.removeprefix(f"{API}/").replace("{name}/", "")).strip(
        "_"
    )


def _in_path(path: str) -> list[dict[str, Any]]:
    return [
        {"name": name, "in": "path", "required": True, "schema": _TEXT}
        for name in re.findall(r"\{(\w+)\}", path)
    ]


def _in_query(query: type[msgspec.Struct]) -> list[dict[str, Any]]:
    schema = msgspec.json.schema_components([query], ref_template=_REF)[1][query.__name__]
    required = schema.get("required", [])
    return [
        {"name": name, "in": "query", "required": name in required, "schema": each}
        for name, each in schema["properties"].items()
    ]


def _gate(permission: Permission) -> tuple[int, ...]:
    return {Permission.NONE: (), Permission.READ: (401,)}.get(permission, (401, 403))


def _security(permission: Permission) -> list[dict[str, list[str]]]:
    """``{}``: without tokens in the lab file reading needs none."""
    if permission is Permission.READ:
        return [{}, {"read": []}, {"act": []}]
    return [{}, {"act": []}] if permission is Permission.PUSH else [{"act": []}]


def _answer(struct: type[msgspec.Struct]) -> dict[str, Any]:
    content = {"application/json": {"schema": {"$ref": _ref(struct)}}}
    return {"description": (struct.__doc__ or "").strip().split("\n")[0], "content": content}


def _text(kind: str) -> dict[str, Any]:
    return {"description": kind, "content": {kind: {"schema": _TEXT}}}


def _refusals(statuses: set[int]) -> dict[str, Any]:
    content = {"application/json": {"schema": {"$ref": _ref(structs.Problem)}}}
    return {
        str(status): {"description": _MEANINGS.get(status, "Refused"), "content": content}
        for status in sorted(statuses)
    }


def _ref(struct: type[msgspec.Struct]) -> str:
    return _REF.format(name=struct.__name__)
