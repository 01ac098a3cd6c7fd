"""One pass through JupyterLab: open, run everything, move a price."""

import re

import pytest

from fertkit import analyse_response, read_strips
from fertkit.say.response import optimum_text

pytestmark = pytest.mark.browser
expect = pytest.importorskip("playwright.sync_api").expect


def test_runs_in_jupyterlab(start_server, open_page, demo, shots):
    lab = start_server(page=False)
    page = open_page(lab.address("04_optimum_under_price_risk.ipynb"))
    page.get_by_role("button", name="Python 3 (ipykernel) | Idle").wait_for(timeout=60_000)
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.locator('[data-command="runmenu:run-all"]').click()
    says = page.locator(".fertkit-says").first
    table = read_strips(demo("corn_n_strips.csv"), crop="corn").table
    analysis = analyse_response(table, nutrient_price=0.45, grain_price=4.5)
    expect(says).to_contain_text(optimum_text(analysis.optimum), timeout=120_000)
    price = page.get_by_role("spinbutton", name=re.compile("^Price per lb of N"))
    price.fill("0.9")
    price.press("Enter")
    moved = optimum_text(analysis.at_prices(nutrient_price=0.9, grain_price=4.5).optimum)
    expect(says).to_contain_text(moved)
    slider = page.get_by_role("slider", name=re.compile("^Slider: Price per lb of N"))
    expect(slider).to_have_attribute("aria-valuetext", "0.9")
    says.scroll_into_view_if_needed()
    expect(page.get_by_text("official Jupyter news")).to_have_count(0)
    page.screenshot(path=shots / "lab.png")
    # A kernel that is ended while it sends may leave half a message behind, which JupyterLab reports.
    rest, kernel = None, kernel_of(page, lab)
    while kernel != rest:
        page.wait_for_timeout(1_500)
        rest, kernel = kernel, kernel_of(page, lab)
    cookies = {one["name"]: one["value"] for one in page.context.cookies()}
    asked = {"Authorization": f"token {lab.token}", "X-XSRFToken": cookies.get("_xsrf", "")}
    page.request.post(f"{lab.home}/api/kernels/{kernel['id']}/restart", headers=asked)
    expect(page.get_by_role("alert").first).to_contain_text("Run the cells again from the top")
    page.locator(".jp-WindowedPanel-outer").first.evaluate("scroller => scroller.scrollBy(0, 5000)")
    expect(page.get_by_role("alert").first).to_be_in_viewport()
    page.screenshot(path=shots / "lab_restarted.png")


def kernel_of(page, lab):
    """What the server knows of the kernel: its id, whether it works, when it last sent a message."""
    return page.request.get(f"{lab.home}/api/kernels?token={lab.token}").json()[0]
