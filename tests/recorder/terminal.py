"""The command, run at a pseudo-terminal on a station of the lab."""

import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Self

ROOT = Path(__file__).parents[2]
SLOW = 40.0  # seconds to wait for something to appear, on a busy machine


class Terminal:
    """`whynolink record` in a station's namespace; what it prints is read while it runs."""

    def __init__(self, namespace: str, folder: Path, *arguments: str) -> None:
        self.text = ""
        self._screen, there = os.openpty()
        enter = ("ip", "netns", "exec", namespace) if namespace else ()
        command = (*enter, sys.executable, "-m", "analyzer", "record", *arguments)
        self.process = subprocess.Popen(
            command,
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"},
            stdin=there,
            stdout=there,
            stderr=there,
            start_new_session=True,
        )
        os.close(there)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(SLOW)
        os.close(self._screen)

    def wait_for(self, text: str) -> None:
        """Read until a text has appeared."""
        until = time.monotonic() + SLOW
        while text not in self.text:
            assert time.monotonic() < until, f"{text!r} did not appear in:\n{self.text}"
            if not self._read() and self.process.poll() is not None:
                assert text in self.text, f"it ended without {text!r}:\n{self.text}"

    def interrupt(self) -> int:
        """Press Ctrl-C, read to the end; the exit status."""
        self.process.send_signal(signal.SIGINT)
        return self.end()

    def end(self) -> int:
        """Read to the end; the exit status."""
        until = time.monotonic() + SLOW
        while self.process.poll() is None:
            assert time.monotonic() < until, f"it did not end:\n{self.text}"
            self._read()
        while self._read():
            pass
        return self.process.returncode

    def _read(self) -> bool:
        if not select.select([self._screen], [], [], 0.1)[0]:
            return False
        try:
            came = os.read(self._screen, 65536)
        except OSError:  # Linux says so when the other end is closed
            return False
        self.text += came.decode("ascii").replace("\r\n", "\n")
        return bool(came)
