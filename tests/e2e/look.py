"""Opens pages in Chromium as people do, wide, narrow and on paper, and has axe-core look for what keeps people out.

    look.py FOLDER PAGE…

Leaves a picture of each width and a PDF in FOLDER. Ends with status 1, after telling all of it, where axe finds anything
wrong, a page is wider than its window, or a page asks for anything but itself.
"""

import pathlib
import sys

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

WIDTHS = [1100, 390]
# A test that starts a browser as root can have no sandbox; the rest keeps it from calling anybody.
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]


def look(browser, page_file, width, folder):
    """What is wrong with a page at a width."""
    asked = []
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.on("request", lambda request: asked.append(request.url))
    address = page_file.resolve().as_uri()
    page.goto(address)
    wrong = [f"asks for {url}" for url in asked if url != address and not url.startswith("data:")]
    found = Axe().run(page).response
    for violation in found["violations"]:
        places = ", ".join(node["html"][:120] for node in violation["nodes"][:3])
        wrong.append(f"{violation['id']} ({violation['impact']}), {len(violation['nodes'])} times: {violation['help']}; {places}")
    if len(found["passes"]) < 10:
        wrong.append(f"axe found only {len(found['passes'])} rules to apply: the page is not there")
    wide = page.evaluate("document.documentElement.scrollWidth")
    if wide > width:
        wrong.append(f"is {wide} wide")
    page.screenshot(path=folder / f"{page_file.stem}-{width}.png", full_page=True)
    if width == max(WIDTHS):
        page.pdf(path=folder / f"{page_file.stem}.pdf", format="A4")
    page.close()
    return wrong


def main():
    folder, *pages = map(pathlib.Path, sys.argv[1:])
    wrong = 0
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        for page in pages:
            for width in WIDTHS:
                for what in look(browser, page, width, folder):
                    wrong += 1
                    print(f"{page.name} at {width}: {what}")
        browser.close()
    sys.exit(1 if wrong else 0)


main()
