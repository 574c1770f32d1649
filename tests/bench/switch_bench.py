#!/usr/bin/python3
"""How long reading switches takes: snmpd on ten addresses of one namespace, each with 48 ports of invented tables.

  switch_bench.py BIN [--rounds N] [--switches N]     as root

Medians of several rounds, by v2c and v3, one switch and all at once. Beside it, as a yardstick, snmpbulkwalk of the same tables by
the same agent. The agents share this machine's cores with the reader: with many at once it is they who take the time, so the
reader's own CPU time is shown. A real switch is further away: its round trip counts once for each message.
"""

import argparse
import json
import pathlib
import statistics
import sys
import tempfile
import time

HERE = pathlib.Path(__file__).resolve().parent
SUPPORT = HERE.parent / "support"
sys.path.insert(0, str(SUPPORT))
import invented_switch  # noqa: E402
from namespaces import Namespaces, wait_until  # noqa: E402

UPTIME, PORTS = ".1.3.6.1.2.1.1.3.0", 48
ACCESS = {"v2c": ("v2c", "tramdepot"), "v3": ("v3", "tram", "four rails", "five rails")}


def start_agents(ns, root, addresses):
    (root / "tables.json").write_text(json.dumps({".".join(map(str, oid)): value for oid, value in invented_switch.tables(PORTS).items()}))
    served = "".join(f"pass_persist {tree} /usr/bin/python3 {SUPPORT}/pass_persist.py {root}/tables.json\n" for tree in invented_switch.SUBTREES)
    for address in addresses:
        ns.run("bench", "ip", "address", "add", f"{address}/32", "dev", "lo")
        folder = root / address
        folder.mkdir()
        (folder / "snmpd.conf").write_text(f'agentaddress udp:{address}:161\nrocommunity tramdepot\nrouser tram authpriv\n'
                                           f'createUser tram SHA "four rails" AES "five rails"\n{served}')
        ns.start("bench", "env", f"SNMP_PERSISTENT_DIR={folder}/state", "MIBS=", "snmpd", "-f", "-Lf", folder / "log", "-C", "-c", folder / "snmpd.conf",
                 "-p", folder / "pid", "-I", invented_switch.BUILT_IN)
    for address in addresses:
        wait_until(lambda a=address: ns.run("bench", "snmpget", "-v2c", "-c", "tramdepot", "-r0", "-t1", a, UPTIME, check=False).returncode == 0,
                   30, f"snmpd of {address}")


def yardstick(ns, address):
    began = time.monotonic()
    for tree in invented_switch.SUBTREES:
        ns.run("bench", "env", "MIBS=", "snmpbulkwalk", "-v2c", "-c", "tramdepot", "-Onq", address, tree)
    return time.monotonic() - began


def measure(ns, binaries, version, addresses, rounds):
    looks = []
    for _ in range(rounds):
        looks.append(json.loads(ns.run("bench", binaries / "switch_many", *ACCESS[version], *addresses, timeout=120).stdout))
        for one in looks[-1]["switches"]:
            if one["error"] or one["ports"] != PORTS or one["unread"] != ["lldp_mib"]:
                sys.exit(f"not read whole: {one}")
    return {"total_s": statistics.median(look["total_s"] for look in looks), "cpu_s": statistics.median(look["cpu_s"] for look in looks),
            "messages": looks[-1]["switches"][0]["messages"]}


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("bin", type=pathlib.Path)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--switches", type=int, default=10)
    arguments = parser.parse_args()
    addresses = [f"192.0.2.{n}" for n in range(1, arguments.switches + 1)]
    print(f"{'version':7}  {'switches':>8}  {'total':>9}  {'reader CPU':>10}  messages each")
    with tempfile.TemporaryDirectory(prefix="tallywire-bench-") as root, Namespaces("bench") as ns:
        start_agents(ns, pathlib.Path(root), addresses)
        print(f"snmpbulkwalk of one: {statistics.median(yardstick(ns, addresses[0]) for _ in range(arguments.rounds)):.3f} s")
        for version in ACCESS:
            for some in (addresses[:1], addresses):
                row = measure(ns, arguments.bin, version, some, arguments.rounds)
                print(f"{version:7}  {len(some):>8}  {row['total_s']:>7.3f} s  {row['cpu_s']:>8.3f} s  {row['messages']}", flush=True)


if __name__ == "__main__":
    main()
