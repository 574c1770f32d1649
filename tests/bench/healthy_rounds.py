#!/usr/bin/env python3
"""A healthy site, round after round: how many findings there are that nothing made. Root; about a quarter of a minute a round.

  healthy_rounds.py BIN [--rounds 50] [--stream-seconds 2.5]

The site is that of tests/site/broken_site.py, whole: 36 units behind four switches. Ends with 1 when anything was found, missed or unread.
"""

import argparse
import collections
import pathlib
import statistics
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "site"))
import broken_site  # noqa: E402


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bin")
    parser.add_argument("--rounds", type=int, default=50)
    parser.add_argument("--stream-seconds", type=float, default=2.5)
    asked = parser.parse_args()
    false, other, took = collections.Counter(), collections.Counter(), []
    with tempfile.TemporaryDirectory(prefix="tallywire-healthy-") as folder:
        folder = pathlib.Path(folder)
        site = broken_site.BrokenSite(folder / "site", asked.bin, broken_site.design(asked.stream_seconds), HERE.parents[1] / ".cache/clips")
        service = broken_site.Service(site, folder, asked.bin)
        try:
            site.up()
            service.start(site.design_file)
            service.wait_for(len(broken_site.UNITS))
            for switch in site.plan["switches"]:
                site.wait_for_speeds(switch["id"])
            for n in range(asked.rounds):
                began = time.monotonic()
                done = service.round()
                took.append(time.monotonic() - began)
                for f in done["findings"]:
                    false[f["id"]] += 1
                    print(f"round {n + 1}: {f['id']} {f['subject']}: {f['sentence']}; {'; '.join(f['evidence'])}", flush=True)
                for v in done["verdicts"]:
                    if v["verdict"] in ("missed", "unread"):
                        other[v["verdict"], v["quantity"]] += 1
                print(f"round {n + 1}: {took[-1]:.1f} s, findings so far {sum(false.values())}", flush=True)
        finally:
            service.stop()
            site.down()
    print(f"{asked.rounds} rounds of {len(broken_site.UNITS)} units, {statistics.median(took):.1f} s each (median): "
          f"{sum(false.values())} findings {dict(false)}; missed or unread: {dict(other)}")
    return 1 if false or other else 0


if __name__ == "__main__":
    sys.exit(main())
