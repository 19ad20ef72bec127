"""What the marking canvas asks of the server: pictures of a photo, its draft marks, a path along an edge, the scale so far.

Every answer is for this computer's own pages: other hosts' names and other origins are refused.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from functools import wraps
from typing import Any
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from audit import api
from ui import session

__all__ = ["ROUTES"]

Handler = Callable[[Request], Awaitable[Response]]
_LARGEST_IMAGE = 1 << 30
_LARGEST_BODY = 8_000_000
_FOREVER = {"Cache-Control": "private, max-age=31536000, immutable", "X-Content-Type-Options": "nosniff"}
_NEVER = {"Cache-Control": "no-store"}
_OWN_HOSTS = ("127.0.0.1", "localhost")


def _answered(handler: Handler) -> Handler:
    """A handler whose refusals are answers: 403 for strangers, 409 for a conflict, 400 with message and hint for any other."""

    @wraps(handler)
    async def answer(request: Request) -> Response:
        origin = request.headers.get("origin")
        if request.url.hostname not in _OWN_HOSTS or (origin and urlsplit(origin).netloc != request.headers.get("host")):
            return JSONResponse({"message": "Only this computer's own pages may ask."}, 403, headers=_NEVER)
        try:
            return await handler(request)
        except api.DraftConflict as error:
            return JSONResponse({"message": error.message, "hint": error.hint}, 409, headers=_NEVER)
        except api.AuditError as error:
            return JSONResponse({"message": error.message, "hint": error.hint}, 400, headers=_NEVER)
        except (ValueError, KeyError, TypeError) as error:
            return JSONResponse({"message": f"Not understood: {error}", "hint": "Load the page again."}, 400, headers=_NEVER)

    return answer


@_answered
async def overview(request: Request) -> Response:
    """The whole photo, reduced; its address holds the hash, so it may be kept for ever."""
    photo = await run_in_threadpool(api.shown, _path(request))
    longest = int(request.query_params.get("s", 1600))
    return Response(await run_in_threadpool(api.overview_jpeg, photo, longest), media_type="image/jpeg", headers=_FOREVER)


@_answered
async def region(request: Request) -> Response:
    """A window of the photo."""
    photo = await run_in_threadpool(api.shown, _path(request))
    window = [int(request.query_params[name]) for name in ("x", "y", "w", "h", "f")]
    return Response(await run_in_threadpool(api.region_jpeg, photo, *window), media_type="image/jpeg", headers=_FOREVER)


@_answered
async def marks(request: Request) -> Response:
    """The draft marks: read, or saved with the revision that they were made from."""
    desk, file = session.desk(), request.query_params["file"]
    if request.method == "GET":
        draft = await run_in_threadpool(api.draft_marks, desk, file)
    else:
        body = await _body(request)
        draft = await run_in_threadpool(api.save_marks, desk, file, int(body["revision"]), body)
    return JSONResponse({"revision": draft.revision, "saved_at": draft.saved_at, **draft.body}, headers=_NEVER)


@_answered
async def snap(request: Request) -> Response:
    """The path between two points along an edge or line of the picture."""
    body = await _body(request)
    photo = await run_in_threadpool(api.shown, session.desk().image(request.query_params["file"]))
    start, end = ((float(x), float(y)) for x, y in (body["start"], body["end"]))
    if body["kind"] not in api.SNAP_KINDS:
        raise ValueError(f"kind must be one of {', '.join(api.SNAP_KINDS)}; got {body['kind']!r}")
    path = await run_in_threadpool(api.snap_path, photo, start, end, body["kind"])
    return JSONResponse({"path": [[round(x, 3), round(y, 3)] for x, y in path.tolist()]}, headers=_NEVER)


@_answered
async def outline(request: Request) -> Response:
    """The outline of the tooth under a point."""
    body = await _body(request)
    x, y = (float(value) for value in body["point"])
    ring = await run_in_threadpool(api.outline_at, session.desk(), request.query_params["file"], (x, y), body.get("ring"))
    return JSONResponse({"ring": ring}, headers=_NEVER)


@_answered
async def metal(request: Request) -> Response:
    """The metal inside an outline, as strokes correct what the tool proposes."""
    body = await _body(request)
    pieces = await run_in_threadpool(api.metal_by_strokes, session.desk(), request.query_params["file"], body["outline"], body["strokes"])
    return JSONResponse({"pieces": pieces}, headers=_NEVER)


@_answered
async def before(request: Request) -> Response:
    """The tooth at baseline, as it lies on this photo."""
    picture = await run_in_threadpool(api.baseline_picture, session.desk(), request.query_params["file"])
    return Response(picture, media_type="image/jpeg", headers=_NEVER)


@_answered
async def looked(request: Request) -> Response:
    """The marks of a photo were seen enlarged."""
    await run_in_threadpool(api.mark_looked, session.desk(), request.query_params["file"])
    return JSONResponse({}, headers=_NEVER)


@_answered
async def scale(request: Request) -> Response:
    """The scale that the marked reference gives, or why it gives none."""
    try:
        found = await run_in_threadpool(api.draft_scale, session.desk(), request.query_params["file"])
    except api.AuditError as error:
        return JSONResponse({"refused": error.message, "hint": error.hint}, headers=_NEVER)
    return JSONResponse(session.scale_json(found), headers=_NEVER)


@_answered
async def incoming(request: Request) -> Response:
    """An image that arrives, streamed to disk and given its name only when it is whole."""
    desk, name = session.desk(), request.query_params["name"]
    scratch = api.place_for(desk, name).with_suffix(".part")
    received = 0
    try:
        with scratch.open("xb") as file:
            async for chunk in request.stream():
                received += len(chunk)
                if received > _LARGEST_IMAGE:
                    raise ValueError("file must be at most 1 GB")
                file.write(chunk)
        place = api.place_for(desk, name)
        scratch.replace(place)
    except OSError as error:
        raise ValueError(f"{name}: {error.strerror}") from error
    finally:
        scratch.unlink(missing_ok=True)
    return JSONResponse({"file": place.relative_to(desk.folder).as_posix(), "bytes": received}, headers=_NEVER)


def _path(request: Request) -> Any:
    return session.desk().image(request.query_params["file"])


async def _body(request: Request) -> Any:
    """The JSON of a request that is not too large."""
    content = bytearray()
    async for chunk in request.stream():
        content += chunk
        if len(content) > _LARGEST_BODY:
            raise ValueError("too much was sent")
    return json.loads(content)


ROUTES = [
    Route("/desk/overview", overview),
    Route("/desk/region", region),
    Route("/desk/marks", marks, methods=["GET", "PUT"]),
    Route("/desk/snap", snap, methods=["POST"]),
    Route("/desk/outline", outline, methods=["POST"]),
    Route("/desk/metal", metal, methods=["POST"]),
    Route("/desk/before", before),
    Route("/desk/looked", looked, methods=["PUT"]),
    Route("/desk/scale", scale),
    Route("/desk/incoming", incoming, methods=["PUT"]),
]
