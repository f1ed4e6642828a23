"""A plot as an object of its own: it shows itself in a notebook, and is saved as SVG or as PNG.

The font of PNG comes with a package, so that text is never missing, whatever fonts a machine has.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from wavewright.durable_files import write_whole
from wavewright.errors import Misuse, StorageFault

SCALE = 2.0  # pixels per unit of the drawing: sharp in print at the width of a page
FONT = "Source Sans Pro"
FACES = ("SourceSansPro-Regular.ttf", "SourceSansPro-Bold.ttf")


@dataclass(frozen=True, slots=True, repr=False)
class Plot:
    """A drawing in SVG.

    Parameters
    ----------
    title : what it shows, in a line.
    svg : the whole document.

    Examples
    --------
    >>> Plot("rail", '<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')
    <Plot: rail>
    """

    title: str
    svg: str

    def save(self, path: str | Path) -> Path:
        """Write it to a file, `.svg` or `.png`; returns where it is.

        Raises
        ------
        Misuse : another file extension, or what draws PNG is not installed.
        StorageFault : the file cannot be written.
        """
        path = Path(path)
        kind = path.suffix.lower()
        if kind not in (".svg", ".png"):
            raise Misuse(f"file extension `{path.suffix}` of {path}", expected="one of .svg, .png")
        try:
            write_whole(path, self.svg if kind == ".svg" else png_of(self.svg))
        except OSError as fault:
            raise StorageFault(f"the plot cannot be written: {fault.strerror or fault}", where=str(path)) from fault
        return path

    def __repr__(self) -> str:
        return f"<Plot: {self.title}>"

    def _repr_svg_(self) -> str:
        """For notebooks."""
        return self.svg


def png_of(svg: str, *, scale: float = SCALE) -> bytes:
    """A drawing in pixels, `scale` of them per unit of it.

    Letters that the packaged font does not have come from the fonts of the machine.

    Raises
    ------
    Misuse : what draws it is not installed.
    """
    try:
        import resvg_py
    except ImportError as fault:
        raise Misuse("PNG needs the package resvg-py", do="install it, or write SVG") from fault
    fonts = font_files()
    family = FONT if fonts else None
    return bytes(
        resvg_py.svg_to_bytes(
            svg_string=svg, zoom=scale, font_files=fonts or None, sans_serif_family=family, font_family=family
        )
    )


def font_files() -> list[str]:
    """The files of the packaged font; none where its package is not installed."""
    package = find_spec("font_source_sans_pro")
    if package is None or not package.submodule_search_locations:
        return []
    folder = Path(next(iter(package.submodule_search_locations))) / "files"
    return [str(folder / face) for face in FACES if (folder / face).exists()]
