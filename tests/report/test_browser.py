"""The report in a real browser: Debian's chromium, without a screen."""

import shutil

import pytest

from pipeline.config import load_config
from pipeline.quicklook import take_quicklook
from pipeline.report.page import write_report

pytestmark = [pytest.mark.xdist_group("reduction"), pytest.mark.slow]

FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
WIDE, NARROW = 1280, 390  # px; a desk and a telephone


@pytest.fixture(scope="module")
def programs(measuring):
    """Browser and driver, installed from Debian where that can be done."""
    names, debian = ("chromium", "chromedriver"), measuring("debian")
    try:
        debian.install(names, ("chromium", "chromium-driver"))
    except debian.NotHere as reason:
        pytest.skip(f"no browser here: {reason}")
    return [shutil.which(name) for name in names]


@pytest.fixture(params=["light", "dark"])
def browser(request, programs, tmp_path):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = programs[0]
    for flag in (*FLAGS, f"--user-data-dir={tmp_path / 'profile'}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(programs[1]))
    driver.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": request.param}]},
    )
    yield driver
    driver.quit()


def show(browser, page, width):
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    browser.get(page.as_uri())


def test_pages_hold_all_sections_and_pictures_at_any_width(browser, reduced, tmp_path):
    index = write_report(reduced[0])
    night = min(index.parent.glob("2*/index.html"))
    artefacts = tmp_path / "artefacts"
    artefacts.mkdir()
    needed = {index: {"Verdicts", "Nights", "Trends", "Stacks", "Deep catalogue"},
              night: {"Strips at a glance", "Column calibration", "Depth", "Tiles",
                      "Ledger of failures"}}  # fmt: skip
    for page, titles in needed.items():
        for width in (WIDE, NARROW):
            show(browser, page, width)
            heads = {e.text for e in browser.find_elements("css selector", "main h2")}
            assert titles <= heads
            missing = browser.execute_script(
                "return [...document.images].filter(i => !i.complete || !i.naturalWidth)"
                ".map(i => i.src)"
            )
            assert missing == []
            assert browser.execute_script("return document.images.length") > 2
            # the page itself never scrolls sideways; wide tables do, each in its own frame
            assert browser.execute_script("return document.documentElement.scrollWidth") <= width
            if page == index:  # the reasons of all nights are read without scrolling sideways
                ends = browser.execute_script(
                    "return [...document.querySelectorAll('#verdicts li a')]"
                    ".map(a => a.getBoundingClientRect().right)"
                )
                assert len(ends) == 2
                assert max(ends) <= width
            name = f"{page.parent.name}-{width}.png"
            assert browser.save_screenshot(str(artefacts / name))
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
    assert len(list(artefacts.glob("*.png"))) == 4


@pytest.fixture(scope="module")
def quick(small, tmp_path_factory):
    """Page of a quick look, alone in its folder."""
    out = tmp_path_factory.mktemp("quick")
    config = load_config(small / "observatory.toml")
    _, page = take_quicklook(config, small / "raw" / "2025-03-02_s01_0001.fits", out / "whole")
    return page.rename(out / "quicklook.html")


def test_a_quick_look_needs_no_other_file(browser, quick, tmp_path, request):
    artefacts = tmp_path / "artefacts"
    artefacts.mkdir()
    for width in (WIDE, NARROW):
        show(browser, quick, width)
        heads = {e.text for e in browser.find_elements("css selector", "main h2")}
        assert heads >= {"At a glance", "The whole strip", "Along the strip",
                         "Shape of stars against column", "Response against column"}  # fmt: skip
        sizes = browser.execute_script("return [...document.images].map(i => i.naturalWidth)")
        assert len(sizes) == 5
        assert min(sizes) > 600
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        assert browser.save_screenshot(str(artefacts / f"quicklook-{width}.png"))
    used = browser.execute_script("return [...document.images].map(i => i.currentSrc)")
    dark = browser.execute_script(
        "return [...document.querySelectorAll('picture source')].map(s => s.srcset)"
    )
    scheme = request.node.callspec.params["browser"]
    assert (used == dark) == (scheme == "dark")
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []


def test_pictures_and_ground_follow_the_scheme(browser, reduced, request):
    scheme = request.node.callspec.params["browser"]
    show(browser, write_report(reduced[0]), WIDE)
    used = browser.execute_script("return [...document.images].map(i => i.currentSrc)")
    assert all(source.endswith("-dark.png") == (scheme == "dark") for source in used)
    ground = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    assert ground == ("rgb(27, 28, 30)" if scheme == "dark" else "rgb(255, 255, 255)")


def test_keyboard_reaches_the_content_first_and_a_night_by_its_link(browser, reduced):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    show(browser, write_report(reduced[0]), WIDE)
    texts = []
    for _ in range(12):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        texts.append(browser.switch_to.active_element.text)
    assert texts[0] == "Skip to the content"
    link = next(text for text in texts if text.startswith("2025-"))
    browser.find_element("link text", link).send_keys(Keys.ENTER)
    assert link.split(":")[0] in browser.title
    assert browser.find_element("id", "verdict").text.split()[0] in ("Good", "Usable", "Bad")
