"""Does the steps of an installation. It decides nothing that the plan does not say."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rig.install.plan import (
    CONFIG,
    CURRENT,
    PREVIOUS,
    RECORDS,
    SERVICE,
    SHADOWED,
    TRIAL,
    CopyRecords,
    DecidesAlike,
    IsOffered,
    KeepOnly,
    NothingUnfinished,
    Point,
    Put,
    Reads,
    RecordsBack,
    Remove,
    Run,
    Step,
    Try,
    Unpack,
    going_back,
)  # fmt: skip
from rig.install.program import unpack
from rig.install.running import run
from rig.ledger.black_box import fills_in
from rig.ledger.files import sha256_of, sync_folder
from rig.ledger.keeping import book_or_empty
from rig.ledger.restoring import exchange
from rig.office.releases import refuse_other
from rig.record.base import RecordError
from rig.run.refused import Refused
from rig.run.replacing import replace_file
from rig.run.settings import load_settings
from rig.shop.posting import JOURNAL_NAME, journal_to_read

FILES = Path(__file__).parent / "files"
_WITH_ROOT = ("systemd-sysusers", "systemd-tmpfiles", "systemctl")


def shipped_files() -> Mapping[str, str]:
    """The files for ``/etc`` that come with this version, by their path below it."""
    found = (path for path in FILES.rglob("*") if path.is_file())
    return {path.relative_to(FILES).as_posix(): path.read_text(encoding="utf-8") for path in found}


@dataclass(frozen=True, slots=True)
class Doer:
    """Does steps on this computer, or in a folder used as its root."""

    root: Path = Path("/")

    @property
    def live(self) -> bool:
        """Whether it is this computer that is changed."""
        return self.root == Path("/")

    def at(self, path: str) -> Path:
        """Where a path of the plan lies."""
        return self.root / path.lstrip("/")

    def version(self, link: str = CURRENT) -> str:
        """The version that a link points to; empty where there is none."""
        with contextlib.suppress(OSError):
            return self.at(link).readlink().name
        return ""

    def do(self, step: Step) -> None:
        """Do one step. Refused or OSError: it has not been done, and nothing after it may be."""
        match step:
            case Unpack(path, wheel):
                unpack(self.at(path), Path(wheel) if wheel else None)
            case Put(path, text, mode):
                self.at(path).parent.mkdir(parents=True, exist_ok=True)
                replace_file(self.at(path), text, mode=mode)
                sync_folder(self.at(path).parent)
            case Point(path, to):
                point(self.at(path), to)
            case Remove(path):
                _remove(self.at(path))
            case Run():
                self._run(step)
            case KeepOnly(path):
                for other in self.at(path).parent.iterdir():
                    if other.is_dir() and not other.is_symlink() and other.name != self.at(path).name:
                        shutil.rmtree(other)
            case Try(seconds):
                self._try(seconds)
            case _:
                self._do_records(step)

    def _do_records(
        self, step: IsOffered | NothingUnfinished | Reads | DecidesAlike | CopyRecords | RecordsBack
    ) -> None:
        match step:
            case IsOffered(version, before, wheel):
                self._is_offered(version, before, Path(wheel) if wheel else None)
            case NothingUnfinished():
                self._nothing_unfinished()
            case Reads(program):
                self._reads(self.at(program))
            case DecidesAlike(program):
                self._decides_alike(self.at(program))
            case CopyRecords():
                self._copy_records()
            case RecordsBack():
                self._records_back()

    def _run(self, step: Run) -> None:
        if step.live and not self.live:
            return
        first, *others = step.words
        if not self.live and first in _WITH_ROOT:
            others = [f"--root={self.root}", *others]
        run([first, *others])

    def _is_offered(self, version: str, before: str, wheel: Path | None) -> None:
        refuse_other(self._records(), version, "" if wheel is None else sha256_of(wheel), before)

    def _nothing_unfinished(self) -> None:
        with contextlib.closing(journal_to_read(self._records())) as journal:
            waiting = [f"{fill.fill_id} ({fill.task.size})" for fill in journal.unfinished()]
        if waiting:
            raise Refused(
                f"fill {', '.join(waiting)} is unfinished: end it first, by `rig resume` or `rig close` or on the "
                "page; a version of the program must not take up a fill that another one began"
            )

    def _copy_records(self) -> None:
        records = self._records()
        if records.exists():
            _remove(_before(records))
            run(["cp", "--archive", str(records.resolve()), str(_before(records))])

    def _records_back(self) -> None:
        records = self._records()
        try:
            with contextlib.closing(journal_to_read(records)), book_or_empty(records):
                return
        except RecordError:
            if _before(records).exists():
                exchange(_before(records), records.resolve())

    def _records(self) -> Path:
        config = self.at(CONFIG)
        return Path(load_settings(config).rig.data) if self.live and config.exists() else self.at(RECORDS)

    def _reads(self, program: Path) -> None:
        config = self.at(CONFIG)
        if not config.exists():
            return
        asked = [["check"], ["ledger", "list", "--json"]] if (self._records() / JOURNAL_NAME).exists() else [["check"]]
        for words in asked:
            run([*_rig(program), *words, "--config", str(config)])

    def _decides_alike(self, program: Path) -> None:
        records = self._records()
        if not fills_in(records):
            return
        try:
            run([*_rig(program), "shadow", str(records), "--last", str(SHADOWED)])
        except Refused as error:
            raise Refused(
                f"the new version would not do as the one that runs did: {error}\nNothing was switched. If that is "
                "meant (its changelog says so), the same command with --decides-otherwise"
            ) from error

    def _try(self, seconds: float) -> None:
        if not self.live:
            return
        try:
            run(["systemctl", "start", SERVICE], seconds)
        except Refused as error:
            tried = self.at(TRIAL).read_text(encoding="utf-8").strip() if self.at(TRIAL).exists() else ""
            self.go_back()
            raise Refused(
                f"version {tried or self.version()} was not ready within {seconds:g} s ({error}); version "
                f"{self.version()} is back. Are the modules on? `journalctl -u {SERVICE}` says what the new one met"
            ) from error

    def go_back(self) -> None:
        """Stop the service, which goes back by itself, and start the version before."""
        run(["systemctl", "stop", SERVICE])
        if self.at(TRIAL).exists():
            for step in going_back(self.version(PREVIOUS), shipped_files()):
                self.do(step)
        run(["systemctl", "start", "--no-block", SERVICE])


def _rig(program: Path) -> list[str]:
    """The command of a version."""
    return [str(program / "bin" / "python"), "-I", "-m", "rig.cli"]


def point(path: Path, to: str) -> None:
    """Switch a link in one step; everything that it leads to is on the disk before."""
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f"{path.name}.new")
    fresh.unlink(missing_ok=True)
    fresh.symlink_to(to)
    os.sync()
    fresh.replace(path)
    sync_folder(path.parent)


def _before(records: Path) -> Path:
    records = records.resolve()
    return records.with_name(f"{records.name}.before")


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
