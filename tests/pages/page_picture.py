"""The picture of the page in README, from the page itself: `python -m tests.pages.page_picture` writes it.

A draft of `wavewright look` is watched on the simulated bench, with one number turned as a person would.
"""

from __future__ import annotations

import io
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.conftest import CHROMIUM, QUIET

ROOT = Path(__file__).parents[2]
PICTURE = ROOT / ".readme" / "watch.png"
SIZE = {"width": 1280, "height": 1120}
LOOK = ("look", "--input", "1", "--place", "Probe 1 on TP3.", "--recipe", "rail.yaml", "--seed", "204", "--yes")
WATCH = ("watch", "rail.yaml", "--seed", "204", "--no-open")


def main() -> None:
    """Write the picture."""
    from PIL import Image
    from playwright.sync_api import expect, sync_playwright

    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "sim").symlink_to(ROOT / "sim")
        command = [sys.executable, "-m", "wavewright"]
        subprocess.run([*command, *LOOK], cwd=folder, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        with (
            subprocess.Popen([*command, *WATCH], cwd=folder, stdout=subprocess.PIPE, text=True) as process,
            sync_playwright() as playwright,
        ):
            assert process.stdout is not None
            found = re.search(r"http\S+", process.stdout.readline())
            assert found is not None
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
            page = browser.new_page(viewport=SIZE, color_scheme="light")  # type: ignore[arg-type]
            page.goto(found.group())
            limit = page.locator("input[data-id$='peak_to_peak.limit']")
            limit.press("ArrowDown")
            expect(page.get_by_role("button", name="Undo")).to_be_enabled()
            expect(page.locator("#verdict")).to_have_text("pass")
            page.locator("#state").filter(has_text=re.compile(r"\d{2,} shots")).wait_for()
            page.locator("h1").click()
            page.get_by_role("button", name="Hold").click()
            count = re.search(r"(\d+) shots", page.locator("#state").filter(has_text="Holding").text_content())
            page.locator(f"#picture[data-shot='{count[1]}']").wait_for()
            for away in page.locator("#messages button").all():
                away.click()
            limit.focus()
            in_colours = io.BytesIO(page.screenshot())
            browser.close()
            process.terminate()
    Image.open(in_colours).convert("RGB").quantize(192).save(PICTURE, optimize=True)
    print(f"{PICTURE.relative_to(ROOT)}: {PICTURE.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
