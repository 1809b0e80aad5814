"""The picture of a page in README: python -m captures.picture makes captures/page.png anew.

It shows the top of the page of the recording that comes with the tool. It takes chromium. Beside it
lies the digest of that page: a test looks whether the tool still makes the same one.
"""

import shutil
import subprocess
import sys
import tempfile
from hashlib import sha256
from pathlib import Path

import analyzer
from analyzer.reports.document.page import page
from analyzer.reports.to_html import to_html

PICTURE = Path(__file__).parent / "page.png"
DIGEST = PICTURE.with_suffix(".sha256")
DEMO = Path(analyzer.__file__).parent / "demo.pcap"
SIZE = 1000, 1085
"""Width and height in pixels: the answer, the stages and the strip of time."""


def shown() -> str:
    """The page that the picture is of, in HTML."""
    return to_html(page([analyzer.diagnose(DEMO)]))


def digest(text: str) -> str:
    """What is kept of a page."""
    return sha256(text.encode()).hexdigest() + "\n"


def main() -> int:
    """Make the picture; 2 where there is no chromium."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        print("no chromium on this machine")
        return 2
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "page.html"
        file.write_text(shown(), "ascii")
        options = ["--headless", "--no-sandbox", "--hide-scrollbars", f"--user-data-dir={folder}"]
        size = "--window-size={},{}".format(*SIZE)
        shot = f"--screenshot={PICTURE}"
        subprocess.run([browser, *options, size, shot, file.as_uri()], check=True)
    DIGEST.write_text(digest(shown()), "ascii")
    return 0


if __name__ == "__main__":
    sys.exit(main())
