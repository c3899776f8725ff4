"""Talk that stops nobody: to a pipe that nobody reads, and to one that went away."""

from __future__ import annotations

import io
import os
import threading

from tidegate.cli.aside import Aside

# More than a pipe takes unread: 64 KiB, see pipe(7).
MUCH = "x" * 200_000


def test_what_is_said_arrives_in_order() -> None:
    stream = io.StringIO()
    aside = Aside(stream)
    for number in range(100):
        aside.write(f"{number}\n")
    aside.end()
    assert stream.getvalue().split() == [str(number) for number in range(100)]
    assert not aside.isatty()


def test_a_pipe_that_nobody_reads_holds_nobody_up() -> None:
    reads, writes = os.pipe()
    with os.fdopen(reads, "rb") as reader, os.fdopen(writes, "w") as writer:
        aside = Aside(writer)
        aside.write(MUCH)
        aside.write("last\n")
        aside.end(limit_s=0.0)  # comes back although nothing was read
        taken = bytearray()
        ended = threading.Event()

        def read() -> None:
            while not taken.endswith(b"last\n"):
                taken.extend(reader.read1())
            ended.set()

        threading.Thread(target=read, daemon=True).start()
        assert ended.wait(20)
        aside.end(limit_s=20)
    assert taken.decode() == f"{MUCH}last\n"


def test_a_pipe_that_went_away_is_no_fault() -> None:
    reads, writes = os.pipe()
    os.close(reads)
    with os.fdopen(writes, "w") as writer:
        aside = Aside(writer)
        aside.write("one\n")
        aside.write("two\n")
        aside.end(limit_s=20)
