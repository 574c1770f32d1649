"""docs/findings.md against the code: every finding that the code can tell is in the catalogue, and is shown by a test that names it."""

import pathlib
import re
import sys
import unittest

SOURCE = pathlib.Path(sys.argv.pop()).resolve()
ALL_AT_ONCE = "tests/end_to_end/findings_test.py"
FAULTS = "tests/site/every_fault.py"  # where that one's faults and what must be found are
QUANTITIES = {"loss_ratio", "lost_packets"}


def ids_in(cell):
    return re.findall(r"`([a-z_]+)`", cell)


def table(section):
    rows = [line.split(" | ") for line in section.splitlines() if line.startswith("| `")]
    return [(ids_in(row[0]), *row[1:]) for row in rows]


def told_by_the_code():
    out = set()
    for file in sorted((SOURCE / "daemon").rglob("*.cpp")):
        text = file.read_text()
        out |= set(re.findall(r'(?:push_back\(\{|\bFinding(?: \w+)?\{|\badd\()"([a-z]+(?:_[a-z]+)*)"', text) if "Finding" in text else [])
        if file.name == "findings.cpp":  # a table: quantity, id
            out |= set(re.findall(r'^\s*\{"[a-z_]+", "([a-z_]+)",$', text, re.M))
        if file.name == "link_findings.cpp":
            out |= set(re.findall(r'\{"new_power_[a-z]+", "([a-z_]+)"', text))
        if file.name in ("loss_where.cpp", "stream_settings.cpp"):
            out |= set(re.findall(r'"((?:loss|stream)_[a-z_]+)"', text)) - QUANTITIES
    return out


class Findings(unittest.TestCase):
    def setUp(self):
        catalogue, shown = (SOURCE / "docs/findings.md").read_text().split("## Shown by")
        self.catalogue = [id_ for row in table(catalogue) for id_ in row[0]]
        self.shown = table(shown)

    def test_what_the_code_tells_is_in_the_catalogue_and_nothing_else(self):
        self.assertEqual(sorted(told_by_the_code()), sorted(set(self.catalogue)))
        self.assertGreater(len(self.catalogue), 40)

    def test_each_is_shown_by_a_test_that_names_it_or_says_why_not_on_the_wire(self):
        self.assertEqual(sorted(self.catalogue), sorted(id_ for row in self.shown for id_ in row[0]))
        for ids, test, fault in self.shown:
            all_at_once = test == "all at once"
            files = [ALL_AT_ONCE, FAULTS] if all_at_once else re.findall(r"`(tests/\S+)`", test)
            self.assertTrue(files, test)
            text = "".join((SOURCE / file).read_text() for file in files)
            for id_ in ids:
                self.assertTrue(f'"{id_}"' in text, f"{id_} is not in {files}")
            if any(file.endswith(".cpp") for file in files):
                self.assertIn("not on the wire: ", fault, ids)


if __name__ == "__main__":
    unittest.main(verbosity=2)
