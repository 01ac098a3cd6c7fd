"""Twelve seats of the workshop on this machine: when the last is ready, and what memory each takes.

    python tests/benchmarks/room.py [seats]

A seat is a page of the workshop, an answer in each of its panels, in a tab of Chromium; all open at once.
Memory is that of the kernels alone, pages they share counted by part (proportional set size; Linux).
"""

import subprocess
import sys
import time
from pathlib import Path

import psutil
from playwright.sync_api import sync_playwright

from fertkit.panels import serve

NOTEBOOK, TOKEN = "06_workshop_shortfall.ipynb", "a-word-for-the-room"


def main(seats: int) -> None:
    host, port = serve.local_address(), serve.free_port()
    folder = Path(__file__).parents[2] / "notebooks"
    with serve.seats(folder) as kept, sync_playwright() as playwright:
        server = subprocess.Popen(
            serve.command(folder, page=True, room=True, port=port, host=host),
            env=serve.environment(TOKEN) | kept, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            serve.wait_until_up(server, port, host)
            url = f"http://{host}:{port}/voila/render/{NOTEBOOK}?token={TOKEN}"
            for turn in ("first", "warm"):
                print(f"{turn}: {seats} seats ready in {ready(browser, url, seats):.1f} s")
        finally:
            browser.close()
            serve.end(server)


def ready(browser, url, seats) -> float:
    """Open the seats and give how long the last took [s]; print what memory their kernels take."""
    pages = [browser.new_context().new_page() for _ in range(seats)]
    pages[0].wait_for_timeout(30_000)  # browsers stand open, and notebooks are rehearsed
    begun = time.perf_counter()
    for page in pages:
        page.goto(url, wait_until="commit")
    for page in pages:
        page.wait_for_function("document.querySelectorAll('.fertkit-says').length >= 3", timeout=120_000)
    took = time.perf_counter() - begun
    shares = [memory_mb(process) for process in kernels()]
    print(f"memory of a seat: {sum(shares) / seats:.0f} MB, the keeper and all that it shares counted in")
    for page in pages:
        page.context.close()
    return took


def kernels():
    """Keeper, forks and their stand-ins."""
    for process in psutil.process_iter(["cmdline"]):
        if "fertkit.panels.seat" in (process.info["cmdline"] or ()):
            yield process


def memory_mb(process) -> float:
    """Proportional set size of a process [MB]."""
    return process.memory_full_info().pss / 1e6


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 12)
