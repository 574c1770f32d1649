#!/usr/bin/python3
"""run_fuzzers.py BUILD [SECONDS] [TARGET…]: libFuzzer over each parser (60 s each, all of them), with a table at the end.

What was found to widen the coverage stays in BUILD/corpus/TARGET and is the start of the next run; an input that broke a
property is written to BUILD/findings. Ends with 1 when there is a finding, 2 when a fuzzer could not run."""

import pathlib
import re
import subprocess
import sys
import time

HERE = pathlib.Path(__file__).resolve().parent
# A session's largest answer is larger than what libFuzzer would try by itself.
LONGEST = {"soap": 16384, "rtsp_message": 1024, "parameter_sets": 512, "rtcp": 1500}


def fuzz(build, target, seconds):
    corpus, findings = build / "corpus" / target, build / "findings"
    corpus.mkdir(parents=True, exist_ok=True)
    findings.mkdir(exist_ok=True)
    words = HERE / "words" / target
    command = [build / "bin" / f"fuzz_{target}", f"-max_total_time={seconds}", "-rss_limit_mb=512", "-timeout=5",
               f"-max_len={LONGEST.get(target, 4096)}", "-print_final_stats=1",
               f"-artifact_prefix={findings / target}-", *([f"-dict={words}"] if words.exists() else []),
               corpus, HERE / "seeds" / target]
    log = build / "findings" / f"{target}.log"
    begun = time.monotonic()
    with open(log, "w") as out:
        # libFuzzer keeps its own time; the margin is for a start on a busy machine.
        code = subprocess.run([str(c) for c in command], stdout=out, stderr=out, stdin=subprocess.DEVNULL,
                              timeout=seconds + 120).returncode
    text = log.read_text(errors="replace")
    progress = re.findall(r"^#(\d+)\s.*?cov: (\d+) ft: (\d+) corp: (\d+)", text, re.M)
    runs, cov, features, inputs = map(int, progress[-1]) if progress else (0, 0, 0, 0)
    done = re.search(r"number_of_executed_units: (\d+)", text)
    return {"target": target, "seconds": round(time.monotonic() - begun), "runs": int(done.group(1)) if done else runs,
            "cov": cov, "features": features, "inputs": inputs, "code": code, "log": log,
            "broken": re.findall(r"^(?:broken property: .*|.*runtime error: .*|.*ERROR: .*|Base64: .*)$", text, re.M)}


def main():
    build, seconds, chosen = pathlib.Path(sys.argv[1]).resolve(), 60, sys.argv[2:]
    if chosen and chosen[0].isdigit():
        seconds, chosen = int(chosen[0]), chosen[1:]
    targets = sorted(f.name.removesuffix("_fuzz.cpp") for f in HERE.glob("*_fuzz.cpp"))
    wrong = set(chosen) - set(targets)
    if wrong:
        sys.exit(f"no such fuzzer: {', '.join(sorted(wrong))}; there are {', '.join(targets)}")
    row = "{:16} {:>8} {:>12} {:>8} {:>6} {:>9} {:>7}  {}"
    print(row.format("fuzzer", "seconds", "executions", "per s", "edges", "features", "inputs", ""), flush=True)
    code = 0
    for target in chosen or targets:
        try:
            result = fuzz(build, target, seconds)
        except (OSError, subprocess.TimeoutExpired) as problem:
            print(f"{target}: {problem}", flush=True)
            code = 2
            continue
        each = result["runs"] // max(1, result["seconds"])
        print(row.format(target, result["seconds"], result["runs"], each, result["cov"], result["features"],
                         result["inputs"], "" if result["code"] == 0 else "FINDING"), flush=True)
        if result["code"] != 0:
            code = code or 1
            print("  " + "\n  ".join(result["broken"] or ["no reason given"]) + f"\n  the whole log: {result['log']}", flush=True)
    sys.exit(code)


if __name__ == "__main__":
    main()
