"""`pictures:` of a measurement: read with the recipe, from its folder and no other."""

from __future__ import annotations

import hashlib
from pathlib import Path, PurePosixPath, PureWindowsPath

from wavewright.errors import FileFault, Place
from wavewright.grammar.located_yaml import place_of
from wavewright.recipe.picture_file import PlacePicture, picture_media, picture_size
from wavewright.recipe.recipe import Recipe

LARGEST_PICTURE = 5 << 20  # bytes
MOST_PIXELS = 64_000_000  # what a browser makes of them takes 4 bytes each, however few the file has


def read_pictures(recipe: Recipe) -> dict[str, tuple[PlacePicture, ...]]:
    """The pictures of each measurement, by its name.

    Raises
    ------
    FileFault : one is missing, damaged, too large, no PNG or JPEG, or outside the folder of the recipe; all are named.
    """
    folder = Path(recipe.path).resolve().parent
    found: dict[str, tuple[PlacePicture, ...]] = {}
    faults: dict[Place | str, FileFault] = {}
    for measurement in recipe:
        if measurement.name in found or not measurement.pictures:
            continue
        pictures = []
        for written in measurement.pictures:
            where = place_of(written) or ""
            try:
                pictures.append(read_picture(str(written), folder, where))
            except FileFault as fault:
                faults[where] = fault
        found[measurement.name] = tuple(pictures)
    if faults:
        raise FileFault.joined(list(faults.values()))
    return found


def read_picture(written: str, folder: Path, where: Place | str = "") -> PlacePicture:
    """One picture.

    Parameters
    ----------
    written : its path from the folder of the recipe, as the recipe has it; where : its place there.

    Raises
    ------
    FileFault : as above.
    """
    inside = "a file in the folder of the recipe, or in one below it"
    parts = {*PurePosixPath(written).parts, *PureWindowsPath(written).parts}
    if ".." in parts or PurePosixPath(written).is_absolute() or PureWindowsPath(written).drive or "\\" in written:
        raise FileFault(f"picture `{written}` leads out of the folder", where=where, expected=inside)
    try:
        path = (folder / written).resolve(strict=True)
        if not path.is_relative_to(folder):
            raise FileFault(f"picture `{written}` leads out of the folder by a link", where=where, expected=inside)
        with path.open("rb") as file:
            content = file.read(LARGEST_PICTURE + 1)
    except (OSError, ValueError) as fault:
        what = f"picture `{written}` cannot be read: {getattr(fault, 'strerror', None) or fault}"
        raise FileFault(what, where=where, expected=inside) from fault
    if len(content) > LARGEST_PICTURE:
        most = f"at most {LARGEST_PICTURE >> 20} MiB"
        raise FileFault(f"picture `{written}` is larger than that", where=where, expected=most, do="scale it down")
    media = picture_media(content)
    if not media:
        what = f"`{written}` is not a whole PNG or JPEG"
        raise FileFault(what, where=where, expected="a PNG or JPEG picture", do="save it again, as PNG")
    width, height = picture_size(content)
    if not 0 < width * height <= MOST_PIXELS:
        raise FileFault(
            f"picture `{written}` has {width} times {height} pixels",
            where=where,
            expected=f"at most {MOST_PIXELS // 1_000_000} million",
            do="scale it down",
        )
    return PlacePicture(written, path, hashlib.sha256(content).hexdigest(), media, content)
