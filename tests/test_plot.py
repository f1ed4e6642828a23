"""A plot as an object: what it saves is read back with readers of other people."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest

from wavewright.errors import Misuse, StorageFault
from wavewright.plot import Plot, font_files, png_of

WORDS = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 80 20" width="80" height="20" font-family="sans-serif">'
    '<rect width="80" height="20" fill="#ffffff"/><text x="4" y="14" font-size="11">40 mV ± 2</text></svg>'
)


def pixels(png: bytes) -> np.ndarray:
    images = pytest.importorskip("PIL.Image")
    return np.asarray(images.open(io.BytesIO(png)).convert("L"))


def test_png_has_two_pixels_per_unit_and_its_text_is_not_missing() -> None:
    found = pixels(png_of(WORDS))
    assert found.shape == (40, 160)
    assert np.count_nonzero(found < 128) > 100


def test_the_packaged_font_draws_text_where_a_machine_has_none() -> None:
    pytest.importorskip("font_source_sans_pro")
    resvg = pytest.importorskip("resvg_py")
    only = resvg.svg_to_bytes(
        svg_string=WORDS, skip_system_fonts=True, font_files=font_files(), sans_serif_family="Source Sans Pro"
    )
    none = resvg.svg_to_bytes(svg_string=WORDS, skip_system_fonts=True)
    assert np.count_nonzero(pixels(bytes(only)) < 128) > 25
    assert np.count_nonzero(pixels(bytes(none)) < 128) == 0  # what the font is for


def test_it_is_saved_by_its_extension(tmp_path: Path) -> None:
    plot = Plot("words", WORDS)
    assert plot.save(tmp_path / "a.svg").read_text(encoding="utf-8") == WORDS
    assert plot.save(str(tmp_path / "a.png")).read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # W3C PNG, 5.2
    with pytest.raises(Misuse, match=r"file extension `\.pdf`.*\n  expected: one of \.svg, \.png"):
        plot.save(tmp_path / "a.pdf")
    with pytest.raises(StorageFault, match="cannot be written"):
        plot.save(tmp_path / "missing" / "a.svg")


def test_a_notebook_takes_it_as_svg() -> None:
    formatters = pytest.importorskip("IPython.core.formatters")
    found, _ = formatters.DisplayFormatter().format(Plot("words", WORDS))
    assert found["image/svg+xml"] == WORDS
    assert found["text/plain"] == "<Plot: words>"
