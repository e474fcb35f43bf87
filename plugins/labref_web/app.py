"""The application: endpoints as routes, bodies and queries checked, errors as JSON."""

from __future__ import annotations

import logging
from typing import Any
from urllib.parse import parse_qsl

import msgspec
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from labref.model.errors import InputError, RefusedError, TraceError
from labref.trace.names import list_all
from labref_web.answers import Call, RequestError
from labref_web.asgi import App, Receive, Scope, Send, as_json, header, reply
from labref_web.desk import BusyError, Desk
from labref_web.endpoints import API, ENDPOINTS, Endpoint
from labref_web.guard import LONGEST_BODY, Guard, Permission, refusal
from labref_web.metrics import metrics_text
from labref_web.openapi import document
from labref_web.page_files import SITE, PageFiles
from labref_web.stream import MOST_READERS

_LOG = logging.getLogger("labref.web")
_JSON = {"cache-control": "no-store"}


def application(desk: Desk) -> App:
    """The whole service as an ASGI application."""
    page, openapi = PageFiles(), as_json(document())

    async def metrics(request: Request) -> Response:
        _permit(desk, Permission.READ, request.scope)
        _no_query(request)
        _renewed(desk)
        return Response(metrics_text(desk), headers=_JSON, media_type="text/plain; version=0.0.4")

    async def description(request: Request) -> Response:
        _no_query(request)
        return _json(openapi)

    async def files(request: Request) -> Response:
        return page.response(request)

    async def site(request: Request) -> Response:
        return page.response(request, SITE)

    async def download(request: Request) -> Response:
        _permit(desk, Permission.READ, request.scope)
        _no_query(request)
        return await _download(desk, request.path_params["file"])

    routes: list[Any] = [
        Route(f"{API}/state", _StateEnd(desk), methods=["GET"]),
        Route(f"{API}/stream", _StreamEnd(desk), methods=["GET"]),
        *(
            Route(endpoint.path, _endpoint(desk, endpoint), methods=[endpoint.method])
            for endpoint in ENDPOINTS
        ),
        Route(f"{API}/trace/{{file}}", download, methods=["GET"]),
        Route("/metrics", metrics, methods=["GET"]),
        Route("/openapi.json", description, methods=["GET"]),
        Route("/", files, methods=["GET"]),
        Route("/site", site, methods=["GET"]),
        Route("/page/{file:path}", files, methods=["GET"]),
    ]
    app = Starlette(
        routes=routes,
        exception_handlers={
            RequestError: _request_error,
            HTTPException: _http_error,
            BusyError: _busy,
            InputError: _input_error,
            RefusedError: _refused,
            TraceError: _trace_error,
            Exception: _failed,
        },
    )
    app.router.redirect_slashes = False
    return Guard(app, desk.terms)


class _StateEnd:
    """The state, as it was put into words by the last tick: the shortest way out."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:  # noqa: ARG002
        _permit(self._desk, Permission.READ, scope)
        if scope["query_string"]:
            raise RequestError(400, "no parameters are known here")
        _renewed(self._desk)
        await reply(send, 200, self._desk.state_json)


class _StreamEnd:
    """The stream as an ASGI application behind its permission."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        _permit(self._desk, Permission.READ, scope)
        if scope["query_string"]:
            raise RequestError(400, "no parameters are known here")
        if self._desk.stream.readers >= MOST_READERS:
            raise BusyError
        await self._desk.stream.serve(scope, receive, send)


def _endpoint(desk: Desk, endpoint: Endpoint) -> Any:
    decoder = None if endpoint.body is None else msgspec.json.Decoder(endpoint.body)

    async def answer(request: Request) -> Response:
        _permit(desk, endpoint.permission, request.scope)
        query = _query(request.scope["query_string"], endpoint.query)
        body = None if decoder is None else _decoded(decoder, await _body(request))
        value = await endpoint.handler(desk, Call(request.path_params, query, body))
        return _json(as_json(value))

    return answer


def _json(body: bytes, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(body, status, {**_JSON, **(headers or {})}, "application/json")


def _permit(desk: Desk, permission: Permission, scope: Scope) -> None:
    desk.counts["requests"] += 1
    why = refusal(permission, scope, desk.terms)
    if why is not None:
        raise RequestError(*why)


def _renewed(desk: Desk) -> None:
    if not desk.is_renewed:
        raise RequestError(503, "the state is not being renewed: nothing is known")


def _query(raw: bytes, struct: type[msgspec.Struct]) -> Any:
    try:
        pairs = parse_qsl(
            raw.decode("ascii"), keep_blank_values=True, strict_parsing=bool(raw), max_num_fields=20
        )
        values = dict(pairs)
        if len(values) != len(pairs):
            raise ValueError("a parameter is given twice")
        return msgspec.convert(values, struct, strict=False)
    except (ValueError, msgspec.ValidationError) as error:
        raise RequestError(400, f"query: {error}") from None


def _no_query(request: Request) -> None:
    if request.scope["query_string"]:
        raise RequestError(400, "no parameters are known here")


async def _body(request: Request) -> bytes:
    kind = header(request.scope, b"content-type").partition(b";")[0].strip().lower()
    if kind != b"application/json":
        raise RequestError(415, "a body of the type application/json is meant")
    body = b""
    try:
        async for part in request.stream():
            body += part
            if len(body) > LONGEST_BODY:
                raise RequestError(413, f"a body of at most {LONGEST_BODY} bytes is meant")
    except ClientDisconnect:
        raise RequestError(400, "the body ended before its length") from None
    return body


def _decoded(decoder: msgspec.json.Decoder[Any], body: bytes) -> Any:
    try:
        return decoder.decode(body)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise RequestError(400, f"body: {error}") from None


async def _download(desk: Desk, name: str) -> Response:
    """A file of the trace: only names that the folder's own list has, so no path leads out."""
    folder = desk.asked.folder
    found = [] if folder is None else await desk.aside(list_all, folder)
    for path in found:
        if path.name == name and not path.is_symlink():
            return FileResponse(
                path, headers=_JSON, media_type="application/x-hdf5", filename=path.name
            )
    raise RequestError(404, f"the trace has no file {name!r}")


def _problem(status: int, text: str, headers: dict[str, str] | None = None) -> Response:
    return _json(as_json({"error": text, "status": status}), status, headers)


async def _request_error(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestError)
    headers = {"www-authenticate": "Bearer"} if error.status == 401 else None
    return _problem(error.status, error.text, headers)


async def _http_error(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return _problem(error.status_code, error.detail, dict(error.headers or {}))


async def _busy(_: Request, error: Exception) -> Response:  # noqa: ARG001
    return _problem(503, "too many questions wait already: ask again", {"retry-after": "1"})


async def _input_error(_: Request, error: Exception) -> Response:
    return _problem(422, str(error))


async def _refused(_: Request, error: Exception) -> Response:
    return _problem(409, str(error))


async def _trace_error(_: Request, error: Exception) -> Response:
    return _problem(404, str(error))


async def _failed(request: Request, error: Exception) -> Response:
    _LOG.error("%s %s: %r", request.method, request.url.path, error)
    return _problem(500, "the service failed at this request; its log says why")
