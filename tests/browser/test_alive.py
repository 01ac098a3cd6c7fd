"""What a person sees when the kernel behind a page or a notebook is gone, and how the page begins again."""

import re
import signal

import psutil
import pytest

from fertkit import analyse_response, read_strips
from fertkit.say.response import optimum_text

pytestmark = pytest.mark.browser
expect = pytest.importorskip("playwright.sync_api").expect

OPTIMUM = "04_optimum_under_price_risk.ipynb"


@pytest.fixture(scope="module")
def corn(demo):
    """The optimum of the page's trial at a price of nitrogen, by the library."""
    analysis = analyse_response(
        read_strips(demo("corn_n_strips.csv"), crop="corn").table, nutrient_price=0.45, grain_price=4.5
    )
    return lambda price: optimum_text(analysis.at_prices(nutrient_price=price, grain_price=4.5).optimum)


def kill_kernel(kernel: str) -> None:
    """End a kernel as a machine short of memory does."""
    for process in psutil.process_iter(["cmdline"]):
        if any(kernel in word for word in process.info["cmdline"] or ()):
            process.send_signal(signal.SIGKILL)
            return
    pytest.fail(f"no process of kernel {kernel}")


def test_a_dead_kernel_is_said_and_the_page_begins_again_with_its_settings(pages, open_page, corn, shots):
    page = open_page(pages.address(OPTIMUM))
    says = page.locator(".fertkit-says").first
    says.wait_for(timeout=120_000)
    price = page.get_by_role("spinbutton", name=re.compile("^Price per lb of N"))
    price.fill("1.2")
    price.press("Enter")
    expect(says).to_contain_text(corn(1.2))
    below = page.locator(".fertkit-panel", has_text="regret").last
    expect(below).to_be_visible()
    kill_kernel(
        page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")
    )
    banner = page.get_by_role("alert")
    expect(banner).to_contain_text("has ended", timeout=20_000)
    assert price.evaluate("box => Boolean(box.closest('[inert]'))")
    page.screenshot(path=shots / "dead_kernel.png")
    page.get_by_role("button", name="Begin again with these settings").click()
    expect(says).to_contain_text(corn(1.2), timeout=120_000)
    expect(banner).to_have_count(0)


def test_a_kernel_that_the_server_ended_is_said_too(pages, chromium):
    """As it ends one that idled too long; the page asks about it and is told that there is none."""
    context = chromium.new_context()
    page = context.new_page()
    page.goto(pages.address(OPTIMUM), wait_until="commit", timeout=120_000)
    page.locator(".fertkit-says").first.wait_for(timeout=120_000)
    kernel = page.evaluate("JSON.parse(document.getElementById('jupyter-config-data').textContent).kernelId")
    cookies = {one["name"]: one["value"] for one in context.cookies()}
    asked = {"Authorization": f"token {pages.token}", "X-XSRFToken": cookies.get("_xsrf", "")}
    page.request.delete(f"{pages.home}/api/kernels/{kernel}?token={pages.token}", headers=asked)
    expect(page.get_by_role("alert").first).to_contain_text("has ended", timeout=40_000)
    context.close()
