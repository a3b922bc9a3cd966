"""The page in a real browser, headless: no complaint, and figures that zoom by mouse, wheel, keyboard and button."""

import itertools
import re

import pytest

from glowledger.report import page, style
from glowledger.report.figures_identify import spectrum_figure
from glowledger.report.identify_files import identify_report


@pytest.fixture
def shown(browser, make_fit, tmp_path):
    fit = make_fit(pixels=1024)
    figure = spectrum_figure(fit, "invented", notice=style.INVENTED)
    report = identify_report(fit, {"spectrum": figure}, title="invented", command="c", notice=style.INVENTED)
    (tmp_path / "page.html").write_text(page.page_html(report), encoding="utf-8")
    browser.get((tmp_path / "page.html").as_uri())
    yield browser
    assert browser.get_log("browser") == []


def press(browser, keys):
    from selenium.webdriver.common.by import By

    browser.find_element(By.CSS_SELECTOR, ".frame").send_keys(keys)
    settled(browser)


def settled(browser):
    browser.execute_async_script("const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done))")


def in_view(browser):
    """Return the outermost wavelengths at the ticks, as a reader sees them."""
    script = """return [...document.querySelectorAll("[id$='axis1x'] g")].filter(g => g.style.display !== "none"
        && /tick|again/.test(g.id + g.getAttribute("class"))).map(g => g.querySelector("text"))
        .filter(t => t).map(t => +t.textContent.replace(/[\\u2009 ]/g, ""))"""
    return sorted(browser.execute_script(script))


def boxes(browser):
    script = """return [...document.querySelectorAll("figure text")].filter(t => t.textContent.trim()).map(t => {
        const box = t.getBoundingClientRect();
        return [box.left, box.right, box.top + scrollY, box.bottom + scrollY, t.textContent, box.width];
        }).filter(box => box[5])"""
    return browser.execute_script(script)


def overlaps(found):
    return [
        (a[4], b[4]) for a, b in itertools.combinations(found, 2)
        if min(a[1], b[1]) - max(a[0], b[0]) > 0.5 and min(a[3], b[3]) - max(a[2], b[2]) > 2.5
    ]  # fmt: skip


def test_keys_zoom_move_and_come_back(shown):
    whole, as_drawn = in_view(shown), boxes(shown)
    assert whole[0] == 300
    press(shown, "+++")
    closer = in_view(shown)
    assert whole[0] < closer[0] < closer[-1] < whole[-1]
    press(shown, "\ue012")  # arrow to the left
    assert in_view(shown)[0] < closer[0]
    press(shown, "0")
    assert in_view(shown) == whole
    assert [box[4] for box in boxes(shown)] == [box[4] for box in as_drawn]
    for now, before in zip(boxes(shown), as_drawn, strict=True):
        assert now[:4] == pytest.approx(before[:4], abs=0.6)


def test_a_stretch_that_is_dragged_over_fills_the_figure(shown):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By

    svg = shown.find_element(By.CSS_SELECTOR, "figure svg")
    hand = ActionChains(shown).move_to_element_with_offset(svg, -300, 0).click_and_hold()
    hand.move_by_offset(100, 0).release().perform()
    settled(shown)
    said = shown.find_element(By.CSS_SELECTOR, "output").text
    low, high = (float(word) for word in re.findall(r"\d+\.\d+", said))
    ticks = in_view(shown)
    assert low <= ticks[0] < ticks[-1] <= high
    part = 100 / shown.execute_script("return document.querySelector('figure svg').getBoundingClientRect().width")
    box = (708.804 - 68.963) / 720  # of the width is the panel, whose axis is longer than the spectrum for its labels
    assert high - low == pytest.approx(part / box * 600, rel=0.1)


def test_the_wheel_zooms_only_a_figure_that_was_chosen(shown):
    wheel = """const svg = document.querySelector("figure svg"), box = svg.getBoundingClientRect();
        return svg.dispatchEvent(new WheelEvent("wheel", {deltaY: -500, cancelable: true, bubbles: true,
        clientX: box.left + box.width / 2, clientY: box.top + box.height / 3}))"""
    whole = in_view(shown)
    assert shown.execute_script(wheel)  # left alone: the page scrolls
    settled(shown)
    assert in_view(shown) == whole
    shown.execute_script("document.querySelector('.frame').focus()")
    assert not shown.execute_script(wheel)
    settled(shown)
    assert in_view(shown) != whole


def test_closer_up_more_features_are_labelled_and_none_touches_another(shown):
    assert overlaps(boxes(shown)) == []
    names = {box[4] for box in boxes(shown)}
    press(shown, "+++\ue014\ue014\ue014\ue014\ue014\ue014\ue014f")  # to the right: a crowd of argon lines
    closer = boxes(shown)
    assert overlaps(closer) == []
    assert {box[4] for box in closer} - names
    for name in ("in", "left", "fit", "right", "out", "whole"):
        shown.execute_script(f"document.querySelector('button[value={name}]').click()")
        settled(shown)
        assert overlaps(boxes(shown)) == []


def test_curves_move_and_line_widths_do_not(shown):
    script = """const path = document.querySelector("[id$='part0-1'] path"), style = getComputedStyle(path);
        return [path.getAttribute("d").length, path.getBBox().width, style.strokeWidth]"""
    count, width, stroke = shown.execute_script(script)
    press(shown, "+++")
    count2, width2, stroke2 = shown.execute_script(script)
    assert width2 == pytest.approx(1.5**3 * width, rel=1e-3)
    assert stroke2 == stroke
    assert count2 == pytest.approx(count, rel=0.1)


def test_the_page_fits_a_phone_and_a_dark_screen(shown):
    shown.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 360, "height": 740, "deviceScaleFactor": 2, "mobile": True}
    )
    shown.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": "dark"}]}
    )
    try:
        assert shown.execute_script("return document.documentElement.scrollWidth") <= 360
        colours = shown.execute_script(
            "const g = document.querySelector('figure text'); return [getComputedStyle(g).fill,"
            "getComputedStyle(document.querySelector('figure')).backgroundColor]"
        )
        assert colours == ["rgb(232, 230, 223)", "rgb(29, 35, 42)"]
    finally:
        shown.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        shown.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_every_kind_of_figure_zooms_without_a_complaint_and_loses_no_area(browser, tmp_path):
    from every_figure import FIGURES

    pictures = [page.Picture(figure=draw(), caption=name) for name, draw in FIGURES.items()]
    report = page.Report(title="t", answer="a", command="c", sections=[page.Section(heading="h", pictures=pictures)])
    (tmp_path / "all.html").write_text(page.page_html(report), encoding="utf-8")
    browser.get((tmp_path / "all.html").as_uri())
    count = """return [...document.querySelectorAll("figure.zooms")].map(f => [...f.querySelectorAll("svg path")]
        .filter(p => !p.closest("defs") && p.getBoundingClientRect().width > 200).length)"""
    before = browser.execute_script(count)
    assert len(before) == len(FIGURES) - 1  # colour keeps equal scales and is not zoomed
    browser.execute_script("document.querySelectorAll('button[value=in]').forEach(b => { b.click(); })")
    settled(browser)
    after = browser.execute_script(count)
    assert all(b >= a for a, b in zip(before, after, strict=True))
    assert browser.get_log("browser") == []
