"""Pictures of where the probes go on the page of `watch`: those that the recipe names, as they are, and no others."""

from __future__ import annotations

import hashlib
import io
import os
from pathlib import Path

import pytest
from PIL import Image  # an implementation of both formats that knows nothing of ours
from starlette.testclient import TestClient

from tests.pages.test_page_app import HOST_HEADER, OURS, PORT, TOKEN, greet
from wavewright.pages.page_app import HEADERS, page_app, page_assets
from wavewright.pages.shown_pictures import ShownPictures
from wavewright.recipe import place_pictures
from wavewright.recipe.load import parse_recipe
from wavewright.recipe.picture_file import picture_size

RECIPE = """\
wavewright: 1
title: The rail
measurements:
  rail:
    place: Probe 1 on TP3.
    pictures: [PICTURES]
    channels: {rail: {input: 1, range: 8 V, offset: 2 V}}
    timebase: {span: 200 us, points: 1k}
    compute: {level: {metric: mean, of: rail, limit: 3.3 V ± 5 %}}
"""


def picture(shade: int, kind: str = "PNG", size: tuple[int, int] = (40, 30)) -> bytes:
    made = io.BytesIO()
    Image.new("RGB", size, (shade, 10, 10)).save(made, kind)
    return made.getvalue()


def shown(folder: Path, *names: str) -> ShownPictures:
    path = folder / "rail.yaml"
    recipe = parse_recipe(RECIPE.replace("PICTURES", ", ".join(names)), str(path))
    found = ShownPictures()
    found.show(str(path), next(iter(recipe)))
    return found


def client_of(pictures: ShownPictures) -> TestClient:
    return TestClient(page_app(TOKEN, PORT, page_assets("watch_page"), greet, pictures.find), base_url=OURS)


@pytest.mark.parametrize("kind, media", [("PNG", "image/png"), ("JPEG", "image/jpeg")])
def test_a_picture_comes_as_it_is_in_its_file_and_with_the_policy(kind: str, media: str, tmp_path: Path) -> None:
    content = picture(200, kind, (41, 29))
    (tmp_path / "board").mkdir()
    (tmp_path / "board" / "tp3").write_bytes(content)
    found = shown(tmp_path, "board/tp3")
    (one,) = found.shown
    assert (one.name, one.width, one.height, one.fault) == ("board/tp3", 41, 29, "")
    answer = client_of(found).get(f"/{TOKEN}/{one.file}")
    assert (answer.status_code, answer.content, answer.headers["content-type"]) == (200, content, media)
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS


def test_a_changed_file_is_another_picture_and_the_one_before_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "tp3.png"
    path.write_bytes(picture(1))
    found = shown(tmp_path, "tp3.png")
    before = found.shown[0].file
    assert not found.look()
    path.write_bytes(picture(2, size=(50, 30)))
    assert found.look()
    after = found.shown[0].file
    assert [client_of(found).get(f"/{TOKEN}/{file}").status_code for file in (before, after)] == [404, 200]
    # half of it written: a reason in its place, and nothing to be loaded
    path.write_bytes(picture(3)[:-9])
    assert found.look()
    assert "is not a whole PNG or JPEG" in found.shown[0].fault
    path.unlink()
    assert found.look()
    assert "cannot be read" in found.shown[0].fault
    path.write_bytes(picture(4))
    assert found.look()
    assert client_of(found).get(f"/{TOKEN}/{found.shown[0].file}").content == picture(4)
    found.show(str(tmp_path / "rail.yaml"), None)
    assert (found.shown, found.find(after)) == ((), None)


def test_nothing_else_of_the_disk_can_be_reached(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place_pictures, "LARGEST_PICTURE", 10_000)
    monkeypatch.setattr(place_pictures, "MOST_PIXELS", 10_000)
    secret = tmp_path / "secret.png"
    secret.write_bytes(picture(9))
    folder = tmp_path / "recipes"
    folder.mkdir()
    (folder / "tp3.png").write_bytes(picture(1))
    (folder / "beside.png").write_bytes(picture(5))  # in the folder, and not in the recipe
    (folder / "drawing.png").write_text("<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>")
    (folder / "large.png").write_bytes(picture(1) + bytes(10_000))
    (folder / "vast.png").write_bytes(picture(1, size=(101, 100)))
    names = ["../secret.png", str(secret), "drawing.png", "large.png", "vast.png", "'%2e%2e/secret.png'", "tp3.png"]
    said = ["leads out", "leads out", "not a whole", "larger", "101 times 100", "cannot be read", ""]
    if os.name == "posix":
        (folder / "link.png").symlink_to(secret)
        names[4:4], said[4:4] = ["link.png"], ["out of the folder by a link"]
    found = shown(folder, *names)
    for one, words in zip(found.shown, said, strict=True):
        assert words in one.fault
        assert bool(one.file) == (not words)
    client = client_of(found)
    (file,) = (one.file for one in found.shown if one.file)
    assert client.get(f"/{TOKEN}/{file}").status_code == 200
    digest = hashlib.sha256(picture(9)).hexdigest()
    for path in (
        f"/{TOKEN}/place-{digest}", f"/{TOKEN}/place-{hashlib.sha256(picture(5)).hexdigest()}", f"/{TOKEN}/tp3.png",
        f"/{TOKEN}/beside.png", f"/{TOKEN}/place-", f"/{TOKEN}/place-..", f"/{TOKEN}/..%2fsecret.png",
        f"/{TOKEN}/%2e%2e%2fsecret.png", f"/{TOKEN}/%252e%252e%252fsecret.png", f"/{TOKEN}/..%5csecret.png",
        f"/{TOKEN}/%2fetc%2fhostname", f"/{TOKEN}//etc/hostname", f"/{TOKEN}/file:%2f%2f{secret}", f"/other/{file}",
        f"/{file}", f"/{TOKEN}/{file}%00", f"/{TOKEN}/{file.upper()}", f"/{TOKEN}/{file}/../x",
    ):  # fmt: skip
        assert client.get(path).status_code == 404, path
    assert client.get(f"/{TOKEN}/{file}", headers={"host": "rebound.example"}).status_code == 404
    assert client.get(f"/{TOKEN}/{file}", headers={"host": HOST_HEADER}).status_code == 200


def test_the_size_is_that_of_other_readers() -> None:
    for kind in ("PNG", "JPEG"):
        for size in ((1, 1), (640, 300), (257, 1025)):
            assert picture_size(picture(7, kind, size)) == size
    progressive = io.BytesIO()
    Image.new("RGB", (33, 21)).save(progressive, "JPEG", progressive=True)
    assert picture_size(progressive.getvalue()) == (33, 21)
    assert picture_size(b"GIF89a") == (0, 0)
