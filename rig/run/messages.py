"""What a front end in another process says to the controller, and the frames that carry it.

A frame is its length in four bytes and JSON. The first frame names the program; both ends must be the same one, since a
snapshot has the controller's own types. Every later frame of the front end is one :data:`Message`, and each is answered
by one frame, in order: a look by a :class:`Look`, everything else by a :class:`Heard`. It must not know sockets.
"""

from __future__ import annotations

from typing import Annotated, Literal, Protocol

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from rig.control.words.values import Request, Scope
from rig.run.facade import Facade, Order, Snapshot
from rig.run.prover import Seen
from rig.run.settings import Settings
from rig.sentence import WHOLE
from rig.shop.posting import software

HEAD_BYTES = 4
MOST_BYTES = 1 << 20
"""Of a snapshot: some 15 kB, a record with a long history more."""
PATIENCE_S = 10.0
"""How long an answer is awaited. Writing a finished fill into the book may take the controller seconds."""
MOST_ASKED_BYTES = 1 << 16
"""Of what a front end says: an order with everything stated has some 2 kB."""


class LinkError(RuntimeError):
    """Bytes that are no message, or a program that is not the same; the connection ends."""


class SilentError(RuntimeError):
    """The controller did not answer: it is not known whether it has heard."""


class _Said(BaseModel):
    # Types of the pure rooms are taken as they are; a key too many is another program's.
    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, arbitrary_types_allowed=True, ser_json_inf_nan="constants"
    )


class Hello(_Said):
    """The first frame of both: the version of the program and the hash of its files."""

    version: str
    hash: str


class ToLook(_Said):
    """Asks for the snapshot."""

    what: Literal["look"] = "look"


class Asked(_Said):
    """A request for the next scan."""

    what: Literal["request"] = "request"
    request: Request


class Ordered(_Said):
    """The rig's next task; not heard where it is busy with another."""

    what: Literal["order"] = "order"
    order: Order


class Forget(_Said):
    """Ask these checks again."""

    what: Literal["forget"] = "forget"
    scopes: tuple[Scope, ...]
    by: str


class VesselRead(_Said):
    """A vessel's reading after a run of a proving; not heard where none is asked for."""

    what: Literal["vessel"] = "vessel"
    id: str
    seen: Seen


class Judged(_Said):
    """The answer to a proving's verdict; not heard where none is asked for."""

    what: Literal["verdict"] = "verdict"
    id: str
    taken: bool


Message = Annotated[ToLook | Asked | Ordered | Forget | VesselRead | Judged, Field(discriminator="what")]


class Look(_Said):
    """The snapshot, and the longest gap between two scans since the last look, wall-clock seconds."""

    snapshot: Snapshot
    gap_s: float


class Heard(_Said):
    """Whether a message was taken."""

    heard: bool


class Controller(Protocol):
    """The controller as a front end has it, in whatever process that is."""

    @property
    def settings(self) -> Settings:
        """Those in force."""
        ...

    def snapshot(self) -> Snapshot:
        """The latest state that is known here. Any thread may ask."""
        ...

    def take_gap_s(self) -> float:
        """The longest gap between two scans since the last call, wall-clock seconds."""
        ...

    async def send(self, message: Message, *, within_s: float = PATIENCE_S) -> bool:
        """Pass a message on; whether it was taken. SilentError where the controller does not answer in that time."""
        ...


_MESSAGE: TypeAdapter[Message] = TypeAdapter(Message)


def own_hello() -> Hello:
    """This program."""
    own = software()
    return Hello(version=own.version, hash=own.hash)


def frame_of(said: BaseModel) -> bytes:
    """The frame of a message or an answer."""
    text = said.model_dump_json(context=WHOLE).encode()
    return len(text).to_bytes(HEAD_BYTES) + text


def length_of(head: bytes, most: int) -> int:
    """The length of the text after a frame's head; LinkError above ``most``."""
    length = int.from_bytes(head)
    if not 0 < length <= most:
        raise LinkError(f"a frame of {length} bytes: 1 to {most} are understood")
    return length


def message_in(text: bytes) -> Message:
    """The message of a frame; LinkError where it is none."""
    try:
        return _MESSAGE.validate_json(text)
    except ValidationError as error:
        raise LinkError(f"no message: {error.errors(include_input=False)[0]['msg']}") from error


def same_program(text: bytes) -> None:
    """Raise LinkError unless the other end's first frame names this program."""
    try:
        other = Hello.model_validate_json(text)
    except ValidationError as error:
        raise LinkError("the first frame names no program") from error
    if other != own_hello():
        raise LinkError(
            f"the program was replaced while it runs (the other end is {other.version}): start `rig serve` again"
        )


def heard(facade: Facade, message: Message) -> bool:
    """Pass a message to the controller; whether it was taken."""
    match message:
        case Asked(request=request):
            facade.ask(request)
        case Ordered(order=order):
            return facade.order(order)
        case Forget(scopes=scopes, by=by):
            facade.forget(scopes, by)
        case VesselRead(id=request_id, seen=seen):
            return facade.read_vessel(request_id, seen)
        case Judged(id=request_id, taken=taken):
            return facade.judge_proving(request_id, taken=taken)
    return True
