#!/usr/bin/python3
"""board_bench.py [--units 500] [--rounds 5]: the page in a real headless Chromium with invented answers. Prints medians: first paint
and the drawn riser from the start of the navigation (wall clock, so other work on the machine counts), and for events the CPU
time of the page's thread: in scripts, and in all (scripts, style, layout, paint)."""

import argparse
import pathlib
import statistics
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "board"))
from browser import PHONE, WIDE, Browser  # noqa: E402
from mock_service import Mock, serve  # noqa: E402
import mock_site as invented  # noqa: E402

NIGHTS = 5
SINGLE_EVENTS = 50


def settle(browser, condition, limit_s=20):
    end = time.monotonic() + limit_s
    while not browser.run(f"return {condition}"):
        if time.monotonic() > end:
            raise SystemExit(f"not within {limit_s} s: {condition}")
        time.sleep(0.02)


def told(n, presence):
    return f"document.querySelector(\"[data-unit='{invented.unit_id(n)}'] .told\")?.textContent === '{presence}'"


def cpu_of(browser, mock, events, condition):
    before = browser.script_seconds()
    for batch in events:
        mock.emit(*batch)
        time.sleep(0.03)
    settle(browser, condition)
    time.sleep(0.2)
    after = browser.script_seconds()
    return [1000 * (b - a) for a, b in zip(before, after)]


def one_round(units, size):
    mock = Mock(units, NIGHTS)
    server = serve(mock)
    out = {}
    with Browser() as browser:
        browser.look(size)
        browser.count_cpu()
        browser.open(f"http://127.0.0.1:{server.server_address[1]}/")
        settle(browser, "document.querySelectorAll('a.unit').length > 0 && document.querySelector('.findings li') !== null")
        out["first paint, ms"] = browser.run("return performance.getEntriesByName('first-contentful-paint')[0].startTime")
        out["riser drawn, ms"] = browser.run("return performance.getEntriesByName('riser-drawn')[0].startTime")
        time.sleep(1)
        base, base_all = browser.script_seconds()
        out["opening: script, CPU ms"], out["opening: all, CPU ms"] = 1000 * base, 1000 * base_all
        # What the look itself costs is measured without an event, and taken off.
        idle = cpu_of(browser, mock, [], "true")
        single = [[mock.presence(n % units, "arrived")] for n in range(SINGLE_EVENTS)]
        got = cpu_of(browser, mock, single, told(SINGLE_EVENTS - 1, "arrived"))
        out["one unit changes: script, CPU ms"], out["one unit changes: all, CPU ms"] = [(g - i) / SINGLE_EVENTS for g, i in zip(got, idle)]
        got = cpu_of(browser, mock, [[mock.presence(n, "lost") for n in range(units)]], told(units - 1, "lost"))
        out["all units change at once: script, CPU ms"], out["all units change at once: all, CPU ms"] = [g - i for g, i in zip(got, idle)]
        mock.nights += 1
        mock.document = mock.document.replace(b'"verdict": "met"', b'"verdict": "tight"').replace(b'"round": %d,' % NIGHTS, b'"round": %d,' % mock.nights, 1)
        mock.emit(("round_ended", {"round": mock.nights, "state": "complete"}))
        got = cpu_of(browser, mock, [], f"document.querySelector('.control .faint').textContent.includes('round {mock.nights}')")
        out["a round ends, all heads change: script, CPU ms"] = got[0] - idle[0]
        out["elements"] = browser.run("return document.querySelectorAll('*').length")
        mock.drop_feeds()
    server.shutdown()
    return out


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=5)
    arguments = parser.parse_args()
    for name, size in (("wide", WIDE), ("phone", PHONE)):
        rounds = [one_round(arguments.units, size) for _ in range(arguments.rounds)]
        print(f"{name}, {arguments.units} units, {4 * arguments.units} streams, {arguments.rounds} rounds: median (least to most)")
        for key in rounds[0]:
            values = [r[key] for r in rounds]
            print(f"  {key:<50} {statistics.median(values):9.1f}  ({min(values):.1f} to {max(values):.1f})")


if __name__ == "__main__":
    main()
