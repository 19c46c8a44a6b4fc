"""Threads of one program open, make and write the same book: the page's requests and the fill that just closed."""

from __future__ import annotations

import threading
from pathlib import Path

from rig.ledger.journal import JournalError
from rig.ledger.keeping import book_of


def test_threads_that_make_and_write_one_book_lose_and_double_nothing(tmp_path: Path) -> None:
    """The witness beside the book was once written by two threads under one name."""
    failed: list[Exception] = []

    def write(folder: Path, n: int, together: threading.Barrier) -> None:
        together.wait()
        try:
            with book_of(folder, "truck") as book:
                book.append("note", f"own {n}", "2026-11-25T08:00:00Z", {"n": n})
                book.append("note", "the same", "2026-11-25T08:00:00Z", {"n": 0})
        except (OSError, JournalError) as error:
            failed.append(error)

    for turn in range(15):
        folder, together = tmp_path / str(turn), threading.Barrier(4)
        folder.mkdir()
        threads = [threading.Thread(target=write, args=(folder, n, together)) for n in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        with book_of(folder, "truck") as book:
            assert [record.serial for record in book.every("truck")] == [1, 2, 3, 4, 5]
            assert not book.faults()
        assert not failed
