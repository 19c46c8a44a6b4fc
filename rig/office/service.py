"""The office's service: three addresses over https, each a text to the office and its answer. Must not know a page."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from rig.ledger.book import BookError
from rig.office.carrying import CHALLENGE, ENROL, EXCHANGE
from rig.office.contacts import Contacts
from rig.office.enrolment import EnrolRequest
from rig.office.https import STALE, UNREADABLE
from rig.office.intake import Challenges, exchanged
from rig.office.keys import OfficeError, StaleError
from rig.office.messages import Challenge, Envelope
from rig.office.register import Register

MOST_BYTES = 32_000_000
"""Of a request: 500 records of the largest kind, with a wide margin. Assumed, no source."""
_REFUSED, _TOO_LONG = 403, 413


def service(office: Register, key: Ed25519PrivateKey, contacts: Contacts | None = None) -> Starlette:
    """The service as an application; it keeps in ``contacts`` which truck was heard."""
    challenges = Challenges()
    answers: dict[str, Callable[[str], str]] = {
        CHALLENGE: lambda _: Challenge(challenge=challenges.new()).model_dump_json(),
        EXCHANGE: lambda text: exchanged(office, key, Envelope.read(text), challenges, contacts).model_dump_json(),
        ENROL: lambda text: office.enrolled(EnrolRequest.read(text), key).model_dump_json(),
    }
    return Starlette(routes=[Route(f"/{name}", _route(run), methods=["POST"]) for name, run in answers.items()])


def _route(run: Callable[[str], str]) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        text = bytearray()
        try:
            async for part in request.stream():
                text += part
                if len(text) > MOST_BYTES:
                    return _says(f"more than {MOST_BYTES} bytes in one request", _TOO_LONG)
            return Response(await run_in_threadpool(run, text.decode()), media_type="application/json")
        except ClientDisconnect:
            return Response()
        except UnicodeDecodeError as error:
            return _says(f"this is no text ({error})", _REFUSED)
        except BookError as error:
            return _says(str(error), status_of(error))

    return answer


def status_of(error: BookError) -> int:
    """The status of a refusal; of a book that cannot be read or written it is another, so that a truck tries again."""
    if isinstance(error, StaleError):
        return STALE
    return _REFUSED if isinstance(error, OfficeError) or error.__cause__ is None else UNREADABLE


def _says(text: str, status: int) -> Response:
    return JSONResponse({"error": text}, status)
