"""What a running service tells of its record: every route against its own description (OpenAPI 3.1, JSON Schema 2020-12,
by python3-jsonschema), metrics by prometheus_client's parser, exports by Python's csv and json, copies by SQLite, and the
feed (WHATWG HTML, "Server-sent events") over cuts and kills.

  unit (answers ARP, nothing listens) -- box: tallywired"""

import csv
import io
import json
import pathlib
import random
import re
import signal
import socket
import sqlite3
import sys
import tempfile
import threading
import time
import unittest

import jsonschema
from prometheus_client.parser import text_string_to_metric_families

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE.parent / "support")]
from api_test import BIN, Service  # noqa: E402
from namespaces import Namespaces, wait_until  # noqa: E402

UNIT = "02:00:5e:10:00:41"
STREAM = {"id": "main", "codec": "H264", "width_px": 640, "height_px": 360, "frame_rate_hz": 25, "bit_rate_kbps": 2000, "path": "/main"}
DESIGN = {
    "format": 1, "site": {"name": "Sand store"},
    "switches": [{"id": "sw", "address": "198.51.100.2", "ports": ["p1", "up"], "uplinks": [{"id": "up", "port": "up", "to": "core", "speed_mbps": 100}]}],
    "cameras": [{"id": "gate", "switch": "sw", "port": "p1", "hardware_address": UNIT, "address": "198.51.100.41", "link_speed_mbps": 100,
                 "heads": [{"id": "1", "streams": [STREAM]}]}],
}
DESCRIPTION = json.loads((ROOT / "docs" / "openapi.json").read_text())


class Site(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        holder = tempfile.TemporaryDirectory(prefix="tallywire-kept-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = pathlib.Path(holder.name)
        cls.ns = Namespaces("box", "unit").__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        cls.ns.cable("box", "unit", address_a="198.51.100.20/24", address_b="198.51.100.41/24", mac_b=UNIT)
        (cls.folder / "design.json").write_text(json.dumps(DESIGN))
        cls.service = Service(cls.ns, cls.folder, design=cls.folder / "design.json", interface="eth0").up()
        cls.addClassCleanup(lambda: cls.service.process.poll() is None and cls.service.end())

    @classmethod
    def ask(cls, path, method="GET", body=None):
        more = ["-X", method] + (["--data-binary", json.dumps(body)] if body is not None else [])
        text, status, kind = cls.service.by_socket(path, *more, "-w", "\n%{http_code}\n%{content_type}").stdout.rsplit("\n", 2)
        return int(status), kind, text

    @classmethod
    def get(cls, path):
        status, _, text = cls.ask(path)
        assert status == 200, (path, status, text)
        return json.loads(text)

    @classmethod
    def run_round(cls, kind):
        number = json.loads(cls.ask("/api/rounds", "POST", {"kind": kind})[2])["round"]
        wait_until(lambda: cls.get("/api/service")["round_running"] is None, 40, "the round's end")
        return number

    def command(self, *arguments):
        return self.ns.run("box", f"{BIN}/tallywire", *arguments, check=False)

    @classmethod
    def described(cls, template, method, status, kind, text):
        """Fails where the description lacks this answer, or it is not as described."""
        responses = DESCRIPTION["paths"][template][method.lower()]["responses"]
        content = (responses.get(str(status)) or responses["default"])["content"]
        assert kind in content, (template, status, kind)
        if kind == "application/json":
            schema = {**content[kind]["schema"], "components": DESCRIPTION["components"]}
            jsonschema.Draft202012Validator(schema).validate(json.loads(text))


class Kept(Site):
    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.rounds = [cls.run_round("round"), cls.run_round("night")]
        assert cls.get("/api/rounds/latest")["state"] == "complete"

    def test_the_description_itself_is_sound(self):
        self.assertRegex(DESCRIPTION["openapi"], r"^3\.1\.")
        for schema in DESCRIPTION["components"]["schemas"].values():
            jsonschema.Draft202012Validator.check_schema(schema)
        for template, methods in DESCRIPTION["paths"].items():
            for method, what in methods.items():
                self.assertTrue(what["summary"], (template, method))
                told = {p["name"] for p in what.get("parameters", []) if p["in"] == "path"}
                self.assertEqual(told, set(re.findall(r"\{(\w+)\}", template)), template)
        self.assertEqual(json.loads(self.ask("/api/openapi.json")[2]), DESCRIPTION)

    def test_no_route_is_left_out_of_the_description(self):
        described = list(DESCRIPTION["paths"])
        for source in sorted((ROOT / "daemon" / "api").glob("routes*.cpp")):
            for literal in re.findall(r'"(/[a-z][a-z_/.]*)"', source.read_text()):
                if literal in ("/api/", "/api/record/"):
                    continue
                fits = [d for d in described if d == literal or (literal.endswith("/") and d.startswith(literal)) or
                        (not literal.startswith(("/api", "/metrics")) and d.endswith(literal))]
                self.assertTrue(fits, f"{source.name} answers {literal}, which docs/openapi.json lacks")

    def test_every_answer_is_as_described(self):
        stream = "camera%2Fgate%2Fhead%2F1%2Fstream%2Fmain"
        asked = [("/api/service",), ("/api/site",), ("/api/roll",), ("/api/units",), ("/api/asked",), ("/api/sweep",), ("/api/bench",), ("/api/rounds",),
                 ("/api/rounds/{id}", f"/api/rounds/{self.rounds[0]}"), ("/api/rounds/{id}", "/api/rounds/latest"), ("/api/headroom",), ("/api/days_held",),
                 ("/api/witnesses",), ("/api/history", f"/api/history?subject={stream}&quantity=payload_bps"),
                 ("/api/nights", "/api/nights?camera=gate&nights=5"),
                 ("/api/rounds/{id}/readings", f"/api/rounds/{self.rounds[0]}/readings?subject=camera/gate"), ("/api/record",), ("/api/record/rounds",),
                 ("/api/record/readings", "/api/record/readings?limit=3"), ("/api/witness_points",), ("/api/sheet",), ("/api/drift",), ("/api/telling",), ("/api/rounds/{id}/changes", f"/api/rounds/{self.rounds[1]}/changes?since={self.rounds[0]}"), ("/metrics",), ("/api/openapi.json",), ("/",)]
        for template, *path in asked:
            status, kind, text = self.ask(path[0] if path else template)
            self.assertEqual(status, 200, template)
            self.described(template, "GET", status, kind, text)
        wrong = [("/api/rounds/{id}", "/api/rounds/99"), ("/api/rounds/{id}/readings", "/api/rounds/99/readings"), ("/api/history", "/api/history"),
                 ("/api/nights", "/api/nights?camera=gate&nights=0"), ("/api/record/readings", "/api/record/readings?after=1.2"), ("/api/tap", "/api/tap"),
                 ("/api/tap/live", "/api/tap/live"), ("/api/record/rounds", "/api/record/rounds?since=yesterday"), ("/api/asks/{id}", "/api/asks/99")]
        for template, path in wrong:
            status, kind, text = self.ask(path)
            self.assertIn(status, (404, 422), path)
            self.described(template, "GET", status, kind, text)
        for limit in ("abc", "0", "1001", "5x"):
            status, kind, text = self.ask(f"/api/rounds?limit={limit}")
            self.assertEqual(status, 400, limit)
            self.described("/api/rounds", "GET", status, kind, text)
        sent = [("/api/witnesses", 201, {"subject": "camera/gate", "point": "lanyard", "by": "A. Tester"}), ("/api/bench", 202, {"cameras": []}),
                ("/api/asks", 202, {"command": "link", "arguments": {"seconds": 0}}), ("/api/rounds", 422, {"cameras": ["nobody"]}),
                ("/api/sweep", 422, {"range": "all"}), ("/api/record/copy", 422, {"file": "relative.sqlite"}),
                ("/api/record/copy", 202, {"file": str(self.folder / "described.sqlite")})]
        for template, wanted, body in sent:
            status, kind, text = self.ask(template, "POST", body)
            self.assertEqual(status, wanted, (template, text))
            self.described(template, "POST", status, kind, text)
        self.described("/api/bench", "DELETE", *self.ask("/api/bench", "DELETE"))
        self.described("/api/asks/{id}", "GET", *self.ask("/api/asks/1?wait_s=5"))
        accept = f"/api/rounds/{self.rounds[0]}/accept"
        self.described("/api/rounds/{id}/accept", "POST", *self.ask(accept, "POST", {"by": "A. Tester"}))
        self.described("/api/rounds/{id}", "GET", *self.ask(f"/api/rounds/{self.rounds[0]}"))

    def test_history_and_nights_tell_what_the_rounds_told(self):
        history = self.get("/api/history?subject=camera/gate&quantity=presence&nights=10")
        self.assertEqual([p["round"] for p in history["points"]], self.rounds)
        self.assertEqual([p["kind"] for p in history["points"]], ["round", "night"])
        nights = self.get("/api/nights?camera=gate")["nights"]
        for night, number in zip(nights, self.rounds):
            document = self.get(f"/api/rounds/{number}")
            self.assertEqual(night["presence"], document["roll"][0]["presence"])
            for kind in ("met", "tight", "missed", "unread"):
                own = [v for v in document["verdicts"] if v["verdict"] == kind and v["subject"].startswith("camera/gate")]
                self.assertEqual(night["counts"][kind], len(own), kind)
            at_unit = self.get(f"/api/rounds/{number}/readings?subject=camera/gate")["readings"]
            everything = self.get(f"/api/rounds/{number}/readings")["readings"]
            self.assertEqual(at_unit, [r for r in everything if r["subject"] == "camera/gate" or r["subject"].startswith("camera/gate/")])
            self.assertGreater(len(at_unit), 10)

    def test_a_scraper_reads_the_metrics(self):
        status, kind, text = self.ask("/metrics")
        self.assertEqual((status, kind), (200, "text/plain; version=0.0.4; charset=utf-8"))
        families = {f.name: f for f in text_string_to_metric_families(text)}
        samples = {(s.name, *s.labels.values()): s.value for f in families.values() for s in f.samples}
        for family in families.values():
            self.assertTrue(family.name.startswith("tallywire_") and family.documentation, family)
            self.assertIn(family.type, ("gauge", "counter"))
        roll = self.get("/api/roll")["cameras"]
        for presence in ("awaited", "arrived", "proven", "wanting", "lost"):
            self.assertEqual(samples["tallywire_cameras", presence], sum(c["presence"] == presence for c in roll))
        newest = self.get(f"/api/rounds/{self.rounds[1]}")
        for verdict, count in newest["counts"].items():
            self.assertEqual(samples["tallywire_verdicts", verdict], count)
        self.assertEqual(samples["tallywire_uplink_speed_bits_per_second", "switch/sw/uplink/up"], 100e6)
        self.assertNotIn(("tallywire_uplink_measured_bits_per_second", "switch/sw/uplink/up"), samples)  # nothing was measured: not zero
        ended = time.mktime(time.strptime(newest["ended"][:19] + " UTC", "%Y-%m-%dT%H:%M:%S %Z")) - time.timezone
        self.assertAlmostEqual(samples["tallywire_last_night_end_timestamp_seconds",], ended, delta=1)
        self.assertEqual(samples["tallywire_rounds_total",], 2)
        self.assertGreater(samples["tallywire_record_bytes",], 4096)
        labels = {(s.name, k) for f in families.values() for s in f.samples for k in s.labels}
        self.assertLessEqual({k for _, k in labels}, {"presence", "verdict", "uplink"})

    def test_an_export_holds_what_the_service_tells(self):
        told = [{"round": n, **r} for n in self.rounds for r in self.get(f"/api/rounds/{n}/readings")["readings"]]
        for form in ("csv", "json"):
            done = self.command("record", "export", f"--{form}", "--out", self.folder / f"all.{form}", "--socket", self.service.socket)
            self.assertEqual(done.returncode, 0, done.stderr)
        exported = json.loads((self.folder / "all.json").read_text())
        self.assertEqual([r["round"] for r in exported["rounds"]], self.rounds)
        self.assertEqual([{k: r[k] for k in t} for r, t in zip(exported["readings"], told, strict=True)], told)
        raw = (self.folder / "all.csv").read_bytes()
        self.assertEqual(raw.count(b"\n"), raw.count(b"\r\n"))  # RFC 4180 §2.1
        rows = list(csv.DictReader(io.StringIO(raw.decode(), newline=""), strict=True))
        for row, reading in zip(rows, told, strict=True):
            self.assertEqual((int(row["round"]), row["subject"], row["quantity"]), (reading["round"], reading["subject"], reading["quantity"]))
            self.assertEqual(row["unread"], reading["unread"] or "")
            value = reading["value"]
            self.assertEqual(float(row["value"]) if isinstance(value, float) else row["value"], "" if value is None else value)
        one = self.command("record", "export", "--rounds", self.rounds[1], "--out", "-", "--socket", self.service.socket)
        self.assertEqual({r["round"] for r in json.loads(one.stdout)["readings"]}, {self.rounds[1]})
        none = self.command("record", "export", "--since", "2199-01-01", "--out", "-", "--socket", self.service.socket)
        self.assertEqual(json.loads(none.stdout), {"rounds": [], "readings": []})

    def test_a_wrong_export_or_copy_is_refused(self):
        (self.folder / "precious.csv").write_text("mine")
        at = ("--socket", self.service.socket)
        for arguments in (("export", "--out", self.folder / "precious.csv", *at), ("export", "--rounds", "9-3", "--out", "-", *at),
                          ("export", "--rounds", "9999", "--out", "-", *at),
                          ("export", "--since", "soon", "--out", "-", *at), ("export", "--alone", "--record", self.folder / "nowhere", "--out", "-"),
                          ("copy", self.folder / "precious.csv", *at)):
            self.assertEqual(self.command("record", *arguments).returncode, 2, arguments)
        self.assertEqual((self.folder / "precious.csv").read_text(), "mine")
        (self.folder / "empty").mkdir()
        self.assertEqual(self.command("record", "export", "--alone", "--record", self.folder / "empty", "--out", "-").returncode, 2)
        self.assertEqual(list((self.folder / "empty").iterdir()), [])
        held = self.command("record", "export", "--alone", "--record", self.folder / "record", "--out", self.folder / "held.json")
        self.assertEqual(held.returncode, 3)
        self.assertIn("another tallywired keeps this record", held.stderr)
        self.assertFalse((self.folder / "held.json").exists() or (self.folder / "held.json.part").exists())

    def test_a_copy_is_exported_without_a_service(self):
        target = self.folder / "copies" / "kept.sqlite"
        target.parent.mkdir()
        done = self.command("record", "copy", target, "--socket", self.service.socket, "--json")
        self.assertEqual(done.returncode, 0, done.stderr)
        self.described("/api/record/copy", "POST", 202, "application/json", done.stdout)
        with sqlite3.connect(target) as copy:
            self.assertEqual(copy.execute("PRAGMA integrity_check").fetchone()[0], "ok")
        copy.close()
        alone = self.command("record", "export", "--alone", "--record", target, "--out", "-")
        self.assertEqual(self.command("record", "export", "--alone", "--rounds", "9999", "--record", target, "--out", "-").returncode, 2)
        at_service = self.command("record", "export", "--rounds", f"1-{self.rounds[1]}", "--out", "-", "--socket", self.service.socket)
        self.assertEqual(json.loads(alone.stdout)["readings"], json.loads(at_service.stdout)["readings"])
        self.assertEqual(self.command("record", "copy", target, "--socket", self.service.socket).returncode, 2)


class Feed(Site):
    def follow(self, seen, stop, cuts):
        """Reads, cuts off anywhere, and resumes after the last whole event."""
        while not stop.is_set() or seen["more"]:
            seen["more"], text = False, b""
            try:
                with socket.socket(socket.AF_UNIX) as feed:
                    feed.settimeout(2)
                    feed.connect(str(self.service.socket))
                    feed.sendall(f"GET /api/events HTTP/1.1\r\nHost: localhost\r\nLast-Event-ID: {seen['last']}\r\n\r\n".encode())
                    left = cuts.randrange(200, 6000)
                    while left > 0:
                        got = feed.recv(min(left, 512))
                        if not got:
                            break
                        left -= len(got)
                        text += got
            except OSError:
                pass
            seen["cuts"] += 1
            for block in text.split(b"\n\n")[:-1]:
                number = re.search(rb"(?:^|\n)id: (\d+)\n", block + b"\n")
                if number:
                    seen["events"].append((int(number[1]), re.search(rb"data: (.*)", block)[1].decode()))
                    seen["last"] = int(number[1])
                    seen["more"] = True
            time.sleep(0.01)

    def test_every_kept_event_comes_once_and_in_order_over_cuts_and_kills(self):
        cuts, seen, stop = random.Random(5), {"events": [], "last": 0, "cuts": 0, "more": False}, threading.Event()
        reader = threading.Thread(target=self.follow, args=(seen, stop, cuts))
        reader.start()
        posted = 0
        try:
            for life in range(4):
                for _ in range(25):
                    done = self.service.by_socket("/api/witnesses", "-X", "POST", "--data-binary",
                                                  json.dumps({"subject": "camera/gate", "point": "lanyard", "by": "A. Tester", "note": f"word {posted}"}))
                    posted += done.returncode == 0
                self.service.end(signal.SIGKILL if life < 3 else signal.SIGTERM)
                type(self).service = Service(self.ns, self.folder, design=self.folder / "design.json", interface="eth0").up()
            with sqlite3.connect(f"file:{self.folder / 'record' / 'record.sqlite'}?mode=ro", uri=True) as record:
                newest = record.execute("SELECT max(id) FROM events").fetchone()[0]
                wait_until(lambda: seen["last"] >= newest, 20, "the newest event")
        finally:
            stop.set()
            reader.join(20)
        with sqlite3.connect(f"file:{self.folder / 'record' / 'record.sqlite'}?mode=ro", uri=True) as record:
            kept = record.execute("SELECT id, data FROM events WHERE id <= ? ORDER BY id", (seen["last"],)).fetchall()
        self.assertEqual([(i, json.loads(d)) for i, d in seen["events"]], [(i, json.loads(d)) for i, d in kept])
        self.assertGreaterEqual(posted, 100)
        self.assertGreaterEqual(len(kept), 100 - 3)  # what a kill took was not kept: its answer came before the event was written
        self.assertGreater(seen["cuts"], 10)


if __name__ == "__main__":
    unittest.main(verbosity=2)
