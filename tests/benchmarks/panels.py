"""How quick the panels are in a browser: a price moved, a page opened cold and warm, and the import.

Run ``python tests/benchmarks/panels.py``; it needs the system's Chromium and some two minutes. Times are of
this machine; beside them stands the processor time of the server with its kernels, which depends less on what
else the machine does. Wanted: price to new figure, median at most 60 ms and 95th percentile at most 100 ms;
a page open to its first answer at most 3 s cold and 1.2 s warm; ``import fertkit`` at most 1.3 times
importing numpy and pandas.
"""

import os
import shutil
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psutil
from playwright.sync_api import sync_playwright

from fertkit.panels import serve

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
OPTIMUM = "04_optimum_under_price_risk.ipynb"
TOKEN, MOVES, IMPORTS, WARM = "a-token-for-benchmarks", 40, 7, 5
# In the page: press an arrow key on the price slider, resolve with the time until a new picture is decoded.
MOVE = """() => new Promise((resolve) => {
  const handle = document.querySelector(".fertkit-pair .noUi-handle");
  const place = document.querySelector(".fertkit-picture");
  const start = performance.now();
  new MutationObserver(async (_, watch) => {
    watch.disconnect();
    await place.querySelector("img").decode();
    resolve(performance.now() - start);
  }).observe(place, { childList: true, subtree: true });
  handle.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowRight", bubbles: true }));
})"""


@contextmanager
def server():
    """Serve the notebooks as pages; give the address of one, and the process of the server."""
    port = serve.free_port()
    with serve.seats(NOTEBOOKS) as kept:
        process = subprocess.Popen(
            serve.command(NOTEBOOKS, page=True, room=False, port=port),
            env=serve.environment(TOKEN) | kept, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            serve.wait_until_up(process, port)
            yield f"http://{serve.HOST}:{port}/voila/render/{OPTIMUM}?token={TOKEN}"
        finally:
            serve.end(process)


def spent() -> float:
    """Processor time of the server, the keeper of seats and the kernels [s]."""
    here = psutil.Process().children(recursive=True)
    times = [one.cpu_times() for one in here if "python" in one.name()]
    return sum(one.user + one.system for one in times)


def first_answer(browser, address):
    """Open a page; give it and the seconds to its first answer: figure, words and a slider to move."""
    page = browser.new_page()
    page.wait_for_timeout(1500)  # a window of its own is built, which no page can help
    start = time.perf_counter()
    page.goto(address, timeout=120_000)
    for part in "img.fertkit-figure", ".fertkit-says p", ".fertkit-pair .noUi-handle":
        page.locator(part).first.wait_for(timeout=120_000)
    return page, time.perf_counter() - start


def seconds_of(code: str) -> float:
    """Median wall time of a fresh interpreter that runs some code."""
    times = []
    for _ in range(IMPORTS):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True)
        times.append(time.perf_counter() - start)
    return float(np.median(times))


def main():
    """Measure and print."""
    print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    alone, ours = seconds_of("import numpy, pandas"), seconds_of("import numpy, pandas, fertkit")
    print(
        f"import with fertkit over numpy and pandas alone: {ours / alone:.2f} ({ours:.2f} s, {alone:.2f} s)"
    )
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        with server() as address:
            begun = spent()
            page, cold = first_answer(browser, address)
            print(f"page open to first answer, cold: {cold:.1f} s; processor {spent() - begun:.1f} s")
            page.evaluate(MOVE)
            page.wait_for_timeout(30_000)  # the cells below are being worked out, and notebooks rehearsed
            moves, begun = [], spent()
            for _ in range(MOVES):
                page.wait_for_timeout(150)
                moves.append(page.evaluate(MOVE))
            print(f"price moved to new figure: median {np.median(moves):.0f} ms, 95th percentile "
                  f"{np.percentile(moves, 95):.0f} ms, of {MOVES}; processor "
                  f"{1000 * (spent() - begun) / MOVES:.0f} ms each")  # fmt: skip
            page.close()
            warm = []
            for _ in range(WARM):
                page, seconds = first_answer(browser, address)
                warm.append(seconds)
                page.close()
            print(f"page open to first answer, warm: {np.median(warm):.2f} s, of {WARM}")
        browser.close()
    print(f"load of the machine after: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
