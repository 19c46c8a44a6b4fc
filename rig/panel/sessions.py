"""Sessions, the driver, and the rate limit of PIN tries. Time is an argument; it must not know requests.

All pages show the same; one drives. The first to sign in drives; after that the driver hands the controls over, or
another takes them when the driver's page has been silent for a while.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from dataclasses import dataclass, field

from rig.panel.people import OfficeRole, Role, Someone

SHIFT_S = 14 * 3600.0
"""Length of a session, one shift; it never ends while a fill runs."""
GONE_S = 8.0
"""Time-out of a silent driver's page: after it another may take the controls."""
FREE_TRIES = 5
FREE_TRIES_ANYWHERE = 60
"""Of one name from all addresses: one address alone takes the better part of a day to get there."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 30.0, 900.0
_MOST_SESSIONS = 50
_CODE_DIGITS = 8


@dataclass(slots=True)
class Session:
    """One signed-in browser."""

    token: str
    csrf: str
    id: str
    """Public identifier."""
    name: str
    role: Role | OfficeRole
    since_s: float
    seen_s: float


@dataclass(slots=True)
class _Tries:
    wrong: int = 0
    until_s: float = 0.0


@dataclass(slots=True)
class Sessions:
    """All sessions, in memory only: a restart of the controller signs everybody out."""

    _by_token: dict[str, Session] = field(default_factory=dict)
    _tries: dict[str, _Tries] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    driver: Session | None = None
    asking: Session | None = None
    """Who requests the controls from the driver."""

    def pause_s(self, whom: str, now_s: float) -> float:
        """Time that ``whom`` (a name, an address) must wait before the next try."""
        with self._lock:
            tries = self._tries.get(whom)
            return max(0.0, tries.until_s - now_s) if tries else 0.0

    def wrong(self, whom: str, now_s: float, free: int = FREE_TRIES) -> None:
        """Count a wrong PIN: after ``free`` tries pauses begin, each twice as long as the last."""
        with self._lock:
            if len(self._tries) > 1000:
                self._tries = {key: tries for key, tries in self._tries.items() if tries.until_s > now_s}
            tries = self._tries.setdefault(whom, _Tries())
            tries.wrong += 1
            if tries.wrong >= free:
                tries.until_s = now_s + min(_FIRST_PAUSE_S * 2 ** (tries.wrong - free), _LONGEST_PAUSE_S)

    def open(self, someone: Someone, now_s: float, *whom: str) -> Session:
        """Sign someone in, and reset the wrong tries of ``whom``."""
        with self._lock:
            for each in whom:
                self._tries.pop(each, None)
            session = Session(
                secrets.token_urlsafe(32), secrets.token_urlsafe(24), secrets.token_hex(4),
                someone.name, someone.role, now_s, now_s,
            )  # fmt: skip
            if len(self._by_token) >= _MOST_SESSIONS:
                idle = min(self._by_token.values(), key=lambda each: (each is self.driver, each.seen_s))
                self._close(idle)
            self._by_token[session.token] = session
            if self.driver is None:
                self.driver = session
        return session

    def found(self, token: str, now_s: float, *, busy: bool) -> Session | None:
        """The session of a cookie's token; an expired one ends here, but never while a fill runs."""
        with self._lock:
            session = self._by_token.get(token)
            if session is None:
                return None
            if now_s - session.since_s > SHIFT_S and not busy:
                self._close(session)
                return None
            session.seen_s = now_s
            return session

    def close_all_of(self, name: str) -> None:
        """Sign a person out everywhere."""
        with self._lock:
            for session in [*self._by_token.values()]:
                if session.name.casefold() == name.casefold():
                    self._close(session)

    def close(self, session: Session) -> None:
        """Sign out."""
        with self._lock:
            self._close(session)

    def _close(self, session: Session) -> None:
        self._by_token.pop(session.token, None)
        self.asking = None if self.asking is session else self.asking
        if self.driver is session:
            self.driver, self.asking = self.asking, None

    def ask_to_drive(self, session: Session, now_s: float) -> bool:
        """Take the controls where no one has them or the driver's page is silent; otherwise request them."""
        with self._lock:
            if self.driver is None or self.driver is session or now_s - self.driver.seen_s > GONE_S:
                self.driver, self.asking = session, None
                return True
            self.asking = session
            return False

    def hand_over(self, session: Session, *, give: bool) -> None:
        """The driver's answer to a request for the controls."""
        with self._lock:
            if self.driver is session and self.asking is not None:
                self.driver, self.asking = (self.asking if give else session), None


def new_code() -> str:
    """A code that is printed once, for whoever has no name and PIN yet; tries of it are limited as those of a PIN."""
    return f"{secrets.randbelow(10**_CODE_DIGITS):0{_CODE_DIGITS}d}"


def same(given: str, wanted: str) -> bool:
    """Compare two secrets in constant time."""
    return hmac.compare_digest(given.encode(), wanted.encode())
