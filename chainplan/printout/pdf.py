"""The page as PDF, by weasyprint: an extra, because it needs libraries of the system."""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import os
import warnings
from collections.abc import Iterator
from typing import Any

NEEDED = (
    "weasyprint makes the PDF and is not installed\n"
    "   expected: pip install 'chainplan[pdf]'; or write --out FILE.html and print that from a browser"
)
LIBRARIES = (
    "weasyprint makes the PDF and cannot load a library of the system: {reason}\n"
    "   expected: Pango and HarfBuzz, such as Debian's libpango-1.0-0 libpangoft2-1.0-0 "
    "libharfbuzz-subset0; or write --out FILE.html and print that from a browser"
)


class NoPdfError(Exception):
    """A PDF cannot be made here; the text says what to install."""


def load_maker() -> Any:
    """Return weasyprint. Raises :class:`NoPdfError` where it or a library that it needs is missing."""
    said = io.StringIO()  # what it prints about a missing library would stand before our own message
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of HarfBuzz-Subset, without which it works
            import weasyprint
    except ImportError:
        raise NoPdfError(NEEDED) from None
    except OSError as error:
        reason = str(error).partition(":")[0].splitlines()[0] if str(error) else "no reason given"
        raise NoPdfError(LIBRARIES.format(reason=reason)) from None
    return weasyprint


def pdf_bytes(html: str) -> bytes:
    """Return a page as PDF; the same page gives the same bytes, on one machine with one set of fonts.

    Nothing is fetched. Raises :class:`NoPdfError` where it cannot be made.
    """
    maker = load_maker()
    from weasyprint.urls import URLFetcher

    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    with _fixed_clock():
        document = maker.HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=()))
        made: bytes = document.write_pdf(
            pdf_identifier=hashlib.sha256(html.encode()).digest()[:16],
            pdf_tags=True,
        )
    return made


@contextlib.contextmanager
def _fixed_clock() -> Iterator[None]:
    """Let embedded fonts carry a fixed date: SOURCE_DATE_EPOCH of reproducible-builds.org."""
    name = "SOURCE_DATE_EPOCH"
    if name in os.environ:
        yield
        return
    os.environ[name] = "0"
    try:
        yield
    finally:
        del os.environ[name]
