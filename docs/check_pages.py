"""Open every built page in a headless Chromium: `python docs/check_pages.py build/docs`.

No request may leave the page, nothing may fail to load, every equation must be drawn, and no page may be
wider than a phone. Without a Chromium it says so and checks nothing.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
#: as small as phones are
PHONE = {"width": 390, "height": 844}
#: of a page: how wide it is, pictures that are not there, equations, and those that are drawn
LOOK = """() => ({
    width: document.documentElement.scrollWidth,
    broken: [...document.images].filter(one => !(one.complete && one.naturalWidth)).map(one => one.src),
    equations: document.querySelectorAll("math").length,
    drawn: [...document.querySelectorAll("math")].filter(one => one.getBoundingClientRect().width > 1).length,
})"""


def faults_of(page, path: Path) -> list[str]:
    """What is wrong with one page."""
    faults: list[str] = []
    page.on("request", lambda r: faults.append(f"asks for {r.url}") if is_outside(r.url) else None)
    page.on("requestfailed", lambda r: faults.append(f"cannot load {r.url}"))
    page.on("pageerror", lambda error: faults.append(f"script: {error}"))
    page.on("console", lambda m: faults.append(f"console: {m.text}") if m.type == "error" else None)
    page.goto(path.resolve().as_uri(), wait_until="load")
    seen = page.evaluate(LOOK)
    if seen["width"] > PHONE["width"]:
        faults.append(f"is {seen['width']} px wide, a phone {PHONE['width']}")
    if seen["drawn"] < seen["equations"]:
        faults.append(f"draws {seen['drawn']} of {seen['equations']} equations")
    return faults + [f"lacks the picture {source}" for source in seen["broken"]]


def is_outside(address: str) -> bool:
    return not address.startswith(("file:", "data:", "blob:"))


def main(folder: Path) -> int:
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        print("no Chromium here: pages not looked at")
        return 0
    from playwright.sync_api import sync_playwright

    paths = sorted(folder.rglob("*.html"))
    if not paths:
        print(f"no pages in {folder}: build them first", file=sys.stderr)
        return 2
    count = 0
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=list(FLAGS))
        for path in paths:
            page = browser.new_page(viewport=PHONE)
            for fault in faults_of(page, path):
                print(f"{path.relative_to(folder)}: {fault}", file=sys.stderr)
                count += 1
            page.close()
        browser.close()
    print(f"{len(paths)} pages looked at, {count} faults")
    return 1 if count else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
