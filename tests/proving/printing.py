"""Documents as a printer gets them: a PDF from a real browser, its pages as text and as pixels."""

import subprocess
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Browser

Pixels = NDArray[np.uint8]
A4 = (595, 842)  # points, ISO 216: 210 mm by 297 mm


def print_out(browser: Browser, html: str, pdf: Path) -> Path:
    """Print a document on the paper it asks for; it may fetch nothing and complain of nothing."""
    page = browser.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("request", lambda request: complaints.append(request.url))
    page.set_content(html)
    page.pdf(path=pdf, prefer_css_page_size=True, print_background=True)
    page.close()
    assert complaints == []
    return pdf


def pages_of(pdf: Path) -> list[str]:
    """The words on each page, in the order of the document."""
    text = subprocess.check_output(["pdftotext", "-raw", pdf, "-"], text=True)
    return text.split("\f")[:-1]


def paper_of(pdf: Path) -> tuple[int, int]:
    """Width and height of its pages, points."""
    told = subprocess.check_output(["pdfinfo", pdf], text=True)
    size = next(line for line in told.splitlines() if line.startswith("Page size:")).split()
    return round(float(size[2])), round(float(size[4]))


def pixels_of(pdf: Path, *, page: int = 1, dpi: int = 200) -> Pixels:
    """One page in shades of grey."""
    where = pdf.with_suffix("")
    which = ["-f", str(page), "-singlefile"]
    subprocess.run(["pdftoppm", "-gray", "-r", str(dpi), *which, pdf, where], check=True)
    drawn = where.with_suffix(".pgm").read_bytes()
    kind, width, height, depth = drawn.split(maxsplit=4)[:4]
    assert (kind, depth) == (b"P5", b"255")
    size = int(width) * int(height)
    return np.frombuffer(drawn[-size:], np.uint8).reshape(int(height), int(width))
