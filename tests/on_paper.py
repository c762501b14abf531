# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages as a browser prints them."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

_BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
needs_browser = pytest.mark.skipif(_BROWSER is None, reason="no browser to print the job sheet with")


@cache
def printed_pages(html: str, size: str) -> int:
    """How many pages of a size they take; a PDF has their number in its root of pages (ISO 32000)."""
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "sheet.html"
        page.write_text(html.replace("@page {", f"@page {{ size: {size};"), "utf-8")
        flags = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking"]
        flags += [f"--user-data-dir={folder}/browser", "--no-pdf-header-footer", f"--print-to-pdf={folder}/sheet.pdf"]
        subprocess.run([str(_BROWSER), *flags, page.as_uri()], check=True, capture_output=True, timeout=120)
        pdf = (Path(folder) / "sheet.pdf").read_bytes()
    return max(int(count) for count in re.findall(rb"/Count (\d+)", pdf))
