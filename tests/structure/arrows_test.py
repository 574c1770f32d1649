"""Fails on an include against the arrows of DEVELOPERS.md, and on I/O in the rooms that do none."""

import pathlib
import re
import sys
import tempfile
import unittest

ROOT = pathlib.Path(sys.argv.pop()) if len(sys.argv) > 1 else pathlib.Path.cwd()
INCLUDE = re.compile(r'^\s*#\s*include\s*["<]([^">]+)[">]', re.M)
TOP_LEVEL = {"CMakeLists.txt", "README.md", "DEVELOPERS.md", "daemon", "probes", "config", "tests",
             "docs", "systemd"}

# Room -> what it must not include. The longest prefix that fits a file decides.
FORBIDDEN = {
    "probes/": [r"^daemon/", r"^config/", r"^tests/"],
    "probes/wire/": [r"^daemon/", r"^config/", r"^tests/", r"^probes/(arrivals|link|camera|stream|tap|path|volume)/",
                     r"^boost/asio", r"^boost/beast", r"^sys/socket", r"^netinet/", r"^arpa/(?!inet\.h)", r"^unistd\.h",
                     r"^pcap", r"^fstream", r"^thread$", r"^spdlog"],
    "config/": [r"^daemon/", r"^probes/(?!fault|reading|wire/mac_address)", r"^tests/", r"^boost/asio"],
    "daemon/": [r"^tests/"],
    "daemon/verdict/": [r"^tests/", r"^daemon/(?!verdict/)", r"^boost/asio", r"^boost/beast", r"^sys/", r"^fstream",
                        r"^sqlite3", r"^spdlog", r"^probes/(arrivals|link|camera|stream|tap|path|volume)/"],
    "daemon/record/": [r"^tests/", r"^daemon/(api|board|sheet|client|round)/",
                       r"^probes/(wire|arrivals|link|camera|stream|tap|path|volume)/"],
    "daemon/api/": [r"^tests/", r"^daemon/(client|round|verdict)/",
                    r"^probes/(wire|arrivals|link|camera|stream|tap|path|volume)/"],
    "daemon/board/": [r"^tests/", r"^probes/", r"^daemon/(?!board/|api/static_file)"],
    "daemon/sheet/": [r"^tests/", r"^probes/(?!fault|reading)", r"^daemon/(api|round|client)/"],
}


def violations(root):
    out = []
    for path in sorted(p for room in ("probes", "daemon", "config")
                       for p in (root / room).rglob("*") if p.suffix in (".hpp", ".cpp", ".h")):
        name = path.relative_to(root).as_posix()
        room = max((r for r in FORBIDDEN if name.startswith(r)), key=len)
        for included in INCLUDE.findall(path.read_text()):
            for pattern in FORBIDDEN[room]:
                if re.search(pattern, included):
                    out.append(f"{name} includes {included}, which {room} must not")
    return out


class Arrows(unittest.TestCase):
    def test_no_include_goes_against_the_arrows(self):
        self.assertEqual(violations(ROOT), [])

    def test_the_check_itself_finds_a_wrong_include(self):
        with tempfile.TemporaryDirectory() as folder:
            wrong = pathlib.Path(folder, "probes", "wire")
            wrong.mkdir(parents=True)
            (wrong / "bad.hpp").write_text('#include "config/design.hpp"\n#  include <sys/socket.h>\n')
            self.assertEqual(len(violations(pathlib.Path(folder))), 2)

    def test_the_top_level_is_what_the_design_lays_down(self):
        extra = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - TOP_LEVEL
        self.assertEqual(extra, set())


if __name__ == "__main__":
    unittest.main(verbosity=2)
