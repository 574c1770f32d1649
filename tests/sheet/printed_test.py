"""The hand-over sheet as a person gets it: by the command, of a real service, printed by a real Chromium and read back by poppler. SHA-256
by Python's hashlib, HTML by Python's html.parser."""

import hashlib
import html.parser
import http.server
import json
import os
import pathlib
import re
import signal
import socketserver
import subprocess
import sys
import tempfile
import threading
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = pathlib.Path(sys.argv.pop()).resolve()
UNITS, STREAMS = 60, 1
A4_HEIGHT_PT, BOTTOM_MM = 841.89, 16
QUANTITIES = ("frame_rate_hz", "payload_bps", "loss_ratio")
VERDICTS = ("met", "tight", "missed", "unread")


def design():
    cameras = []
    for n in range(UNITS):
        cameras.append({
            "id": f"unit-{n:02}", "place": "<script>yard</script> mast " + "w" * 60, "switch": f"sw-{n // 20}", "port": f"p{n % 20}",
            "hardware_address": f"02:00:5e:10:01:{n:02x}", "address": f"198.51.100.{n + 10}", "link_speed_mbps": 100,
            "power_source": "injector" if n % 7 == 0 else "switch_port", "login_secret": "cameras",
            "heads": [{"id": "1", "view": "track \"1\"", "streams": [
                {"id": f"s{s}", "codec": "H264", "width_px": 1280, "height_px": 720, "frame_rate_hz": 25, "bit_rate_kbps": 2000} for s in range(STREAMS)]}]})
    switches = [{"id": f"sw-{i}", "address": f"192.0.2.{i + 2}", "ports": [f"p{p}" for p in range(24)], "snmp": {"secret": "switches"},
                 "uplinks": [{"id": "up", "port": "p23", "to": "core", "speed_mbps": 1000}]} for i in range(3)]
    return {"format": 1, "site": {"name": "Sixty units & one site", "place": "Lindenau Road 7"}, "switches": switches, "cameras": cameras}


class Rows:
    """Verdicts whose texts say which row they belong to, at both ends of cells that take four lines: two are kept together anyway (orphans, widows)."""

    def __init__(self):
        self.count, self.out = 0, []

    def add(self, subject, quantity):
        n, verdict = self.count, VERDICTS[self.count % len(VERDICTS)]
        self.count += 1
        self.out.append({
            "subject": subject, "quantity": quantity, "verdict": verdict, "margin_ratio": None,
            "reason": "" if verdict == "met" else f"w{n}w because it was so",
            "target": {"text": f"a{n}a is what the drawing asks of this one, told "
                               f"at such length that it takes four lines of its narrow cell on paper, and so z{n}z"},
            "reading": {"value": None if verdict == "unread" else f"r{n}r", "uncertainty": 0, "when": "2026-11-25T12:00:00.000Z", "over_s": 10,
                        "method": "by its own count"}})


def document(sha256, rows):
    counts = {v: sum(r["verdict"] == v for r in rows) for v in VERDICTS}
    return {"kind": "round", "state": "complete", "site": "Sixty units & one \u202esite", "design_sha256": sha256, "started": "2026-11-25T12:00:00.000Z",
            "ended": "2026-11-25T12:05:00.000Z", "planned_s": 300, "plan": "", "verdicts": rows, "strangers": [], "days_held": [],
            "counts": counts, "exit_code": 1,
            "roll": [{"camera": f"unit-{n:02}", "presence": ("proven", "wanting", "lost", "arrived")[n % 4],
                      "since": "2026-11-25T12:00:00.000Z"} for n in range(UNITS)],
            "findings": [{"id": "stranger", "subject": "x", "sentence": "open one", "next_step": "look", "evidence": []}],
            "headroom": [{"uplink": f"switch/sw-{i}/uplink/up", "direction": "towards the core", "speed_bps": 1e9, "ceiling_bps": 7e8, "designed_bps": 8e7,
                          "measured_bps": 6.5e7, "busiest_bps": 2.1e8, "streams": 40, "streams_measured": 40, "method": "sum",
                          "unread": None} for i in range(3)]}


class Page(html.parser.HTMLParser):
    """What of a page could send a request or run."""

    def __init__(self):
        super().__init__()
        self.alarming, self.data, self.within = [], "", None

    def handle_starttag(self, tag, attrs):
        self.within = tag
        for name, value in attrs:
            if name.startswith("on") or name == "src" or name in ("href", "xlink:href") and not value.startswith("#"):
                self.alarming.append((tag, name, value))
        if tag in ("link", "img", "iframe", "object", "embed", "base", "form") or tag == "script" and dict(attrs).get("type") != "application/json":
            self.alarming.append((tag, attrs))

    def handle_data(self, text):
        if self.within == "script":
            self.data += text
        if self.within == "style":
            self.alarming += [u for u in re.findall(r"url\(([^)]*)\)|@import", text) if not u.startswith("#")]

    def handle_endtag(self, tag):
        self.within = None


class Record(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
    """A service that answers every question with one body: what another record would say."""

    def __init__(self, path, status, body):
        class Answer(http.server.BaseHTTPRequestHandler):
            def do_GET(self):
                self.send_response(status)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def address_string(self):
                return "a Unix socket"

            def log_message(self, *_):
                pass

        super().__init__(str(path), Answer)
        threading.Thread(target=self.serve_forever, daemon=True).start()


class Printed(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        holder = tempfile.TemporaryDirectory(prefix="tallywire-sheet-test-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = pathlib.Path(holder.name)
        cls.ns = Namespaces("box")
        cls.ns.__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        (cls.folder / "design.json").write_text(json.dumps(design()))
        secrets = cls.folder / "secrets.json"
        secrets.touch(0o600)
        secrets.write_text(json.dumps({"cameras": {"user": "depot", "password": "not-a-real-one"}, "switches": {"community": "tram"}}))
        sha256 = hashlib.sha256((cls.folder / "design.json").read_bytes()).hexdigest()
        rows = Rows()
        for n in range(UNITS):
            for quantity in ("presence", "link_speed_bps"):
                rows.add(f"camera/unit-{n:02}", quantity)
            for s in range(STREAMS):
                for quantity in QUANTITIES:
                    rows.add(f"camera/unit-{n:02}/head/1/stream/s{s}", quantity)
        cls.rows = rows.out
        before = document(sha256, rows.out[:4])
        before["findings"] = [{"id": "power_short", "subject": "switch/sw-0", "sentence": "closed one", "next_step": "", "evidence": []}]
        empty = document(sha256, [])
        empty.update(state="cancelled", headroom=[], findings=[])
        names = []
        for i, round_ in enumerate((before, document(sha256, rows.out), empty)):
            names.append(cls.folder / f"round-{i}.json")
            names[-1].write_text(json.dumps(round_))
        run(BIN / "keep_round", cls.folder / "record", *names)
        cls.socket = cls.folder / "tallywired.sock"
        log = open(cls.folder / "service.log", "w+")
        cls.addClassCleanup(log.close)
        service = cls.ns.start("box", BIN / "tallywired", "--design", cls.folder / "design.json", "--secrets", secrets, "--interface", "lo",
                               "--record", cls.folder / "record", "--socket", cls.socket, "--loopback-port", "0", stderr=log)
        cls.addClassCleanup(lambda: (os.killpg(service.pid, signal.SIGTERM), service.wait(20)))
        wait_until(lambda: service.poll() is not None or "the page is on" in (cls.folder / "service.log").read_text(), 20, "the service")

    def ask(self, *arguments, code=0, environment=None):
        done = subprocess.run([BIN / "tallywire", *arguments, "--socket", self.socket], capture_output=True, text=True, timeout=120, env=environment)
        self.assertEqual(done.returncode, code, done.stdout + done.stderr)
        return done.stdout + done.stderr

    def words(self, pdf):
        """[(page, bottom in points, word)…]"""
        out, page = [], 0
        for line in run("pdftotext", "-bbox", pdf, "-").stdout.splitlines():
            page += "<page " in line
            if found := re.search(r'yMax="([0-9.]+)">(.*)</word>', line):
                out.append((page, float(found[1]), found[2]))
        return out

    def test_1_points_are_witnessed_and_taken_back_by_command(self):
        listed = json.loads(self.ask("witness", "--json", code=3))
        self.assertEqual(listed["open"], UNITS * 5 + (UNITS + 6) // 7)
        self.ask("witness", "unit-01", "lanyard", "--by", "Dörte Tester", "--note", "hooked <twice>")
        self.ask("witness", "unit-01/1", "view", "--by", "A. Tester")
        self.assertIn("lanyard, glands, dome, label", self.ask("witness", "unit-01", "roof", "--by", "A", code=2))
        self.assertIn("nothing is to be witnessed", self.ask("witness", "nobody", "lanyard", "--by", "A", code=2))
        self.assertIn("--by", self.ask("witness", "unit-01", "lanyard", code=2))
        self.ask("witness", "--all-of", "unit-02", "--by", "A. Tester")
        self.ask("witness", "unit-02", "dome", "--by", "B. Second", "--undo")
        self.assertIn("nothing to take back", self.ask("witness", "unit-02", "dome", "--by", "B", "--undo", code=2))
        states = {(p["subject"], p["point"]): p for p in json.loads(self.ask("witness", "--json", code=3))["points"]}
        self.assertEqual(states["camera/unit-01", "lanyard"]["witnessed"]["note"], "hooked <twice>")
        self.assertEqual(states["camera/unit-02", "dome"]["undone"]["by"], "B. Second")
        self.assertEqual(sum(p["witnessed"] is not None for p in states.values()), 6)

    def test_2_a_site_of_sixty_units_is_printed_without_a_cut_row(self):
        page, pdf = self.folder / "sixty.html", self.folder / "sixty.pdf"
        begun = time.monotonic()
        made = json.loads(self.ask("sheet", "--round", "2", "--out", page, "--pdf", pdf, "--by", "A. Tester", "--json"))
        print(f"made and printed in {time.monotonic() - begun:.1f} s, {page.stat().st_size} octets of HTML")
        text = page.read_text()
        parsed = Page()
        parsed.feed(text)
        self.assertEqual(parsed.alarming, [])
        self.assertEqual(hashlib.sha256(parsed.data.encode()).hexdigest(), made["sha256"])
        self.assertIn(f'<code id="sheet-sum">{made["sha256"]}</code>', text)
        for secret in ("not-a-real-one", "tram", "switches\"", "cameras\"}", "login_secret", "community"):
            self.assertNotIn(secret, text.replace('"cameras":', "").replace('"switches":', ""), secret)
        words = self.words(pdf)
        where = {}
        for at, bottom, word in words:
            where.setdefault(word, []).append((at, bottom))
        for n, row in enumerate(self.rows):
            marks = [f"a{n}a", f"z{n}z"] + ([f"r{n}r"] if row["verdict"] != "unread" else [])
            pages = {where[m][0][0] for m in marks if m in where}
            self.assertEqual([m for m in marks if m not in where], [], f"row {n} is not there")
            self.assertEqual(len(pages), 1, f"row {n} is cut")
            top = where[marks[0]][0][1]
            beside = [w for at, bottom, w in words if at in pages and abs(bottom - top) < 3 and w.strip("\u00a0") in VERDICTS]
            self.assertEqual(beside, [row["verdict"]], f"row {n}")
        for n in range(UNITS):
            self.assertGreaterEqual(len(where.get(f"unit-{n:02}", [])), 2, n)  # its block, its points (its name in the drawing stands in one word too)
        self.assertLess(max(bottom for _, bottom, _ in words), A4_HEIGHT_PT - 3)
        body = [bottom for _, bottom, word in words if re.fullmatch(r"[arz]\d+[arz]", word)]
        self.assertLess(max(body), A4_HEIGHT_PT - BOTTOM_MM / 25.4 * 72 + 1)
        pages = max(at for at, _, _ in words)
        heads = {at for at, _, word in words if word == "margin"}
        rows_on = {at for at, _, word in words if re.fullmatch(r"a\d+a", word)}
        self.assertEqual(rows_on - heads, set())  # the table's head is on every page of it
        for at in range(1, pages + 1):
            self.assertIn(str(at), [w for p, b, w in words if p == at and b > A4_HEIGHT_PT - 46], "page number")
        for there in ("Dörte", "Signatures", "Cautions", "open", "closed"):
            self.assertIn(there, where)
        print(f"{pages} pages, {len(self.rows)} rows")

    def test_3_a_sheet_is_confirmed_and_a_changed_one_is_not(self):
        page = self.folder / "check.html"
        self.ask("sheet", "--round", "2", "--out", page)
        self.assertIn("the file is there already", self.ask("sheet", "--out", page, code=2))
        self.assertIn("The record agrees", self.ask("sheet", "--check", page))
        answer = json.loads(self.ask("sheet", "--check", page, "--json"))
        self.assertEqual((answer["verdict"], answer["record"]), ("confirmed", "agrees"))
        alone = subprocess.run([BIN / "tallywire", "sheet", "--check", page, "--socket", self.folder / "none.sock"], capture_output=True, text=True, timeout=60)
        self.assertEqual(alone.returncode, 0)
        self.assertIn("nobody to ask", alone.stdout)
        by_page = self.folder / "by-service.html"
        get = lambda query, *more: run("curl", "-sS", "--max-time", "20", "--unix-socket", self.socket, *more, f"http://localhost/api/sheet?{query}").stdout
        by_page.write_text(get("round=2&by=D%C3%B6rte%20Tester"))
        self.assertIn("made by Dörte Tester,", by_page.read_text())
        self.assertIn("The record agrees", self.ask("sheet", "--check", by_page))
        for wrong in ("round=two", "round=9", "by=a%0ab"):
            self.assertTrue(get(wrong, "-w", "%{http_code}").endswith("422"), wrong)
        octets = page.read_bytes()
        for what, other in ((b"missed</span>", b"met</span>"), (b"a7a is", b"a7b is"), (b"A4; margin", b"A5; margin")):
            self.assertIn(what, octets)
            bad = self.folder / "bad.html"
            bad.write_bytes(octets.replace(what, other, 1))
            self.assertIn("CHANGED", self.ask("sheet", "--check", bad, code=1))
        block = octets.decode().split('id="tallywire-sheet">')[1].split("</script>")[0]
        newer = re.sub(r'"tallywire":"[^"]*"', '"tallywire":"99.0"', block)
        total = lambda text: hashlib.sha256(text.encode()).hexdigest()
        (self.folder / "newer.html").write_text(octets.decode().replace(block, newer).replace(total(block), total(newer)))
        self.assertIn("made by another version", self.ask("sheet", "--check", self.folder / "newer.html", code=3))
        (self.folder / "other.html").write_text("<html>")
        self.assertIn("no sheet of Tallywire", self.ask("sheet", "--check", self.folder / "other.html", code=2))
        self.ask("sheet", "--check", self.folder / "nothing.html", code=2)
        data = json.loads(octets.decode().split('id="tallywire-sheet">')[1].split("</script>")[0])
        self.assertEqual([f["sentence"] for f in data["closed_findings"]], ["closed one"])
        round_ = data["round"]
        other = dict(round_, verdicts=[dict(round_["verdicts"][0], reason="another one")] + round_["verdicts"][1:])
        for i, (status, body, code, said) in enumerate(((200, round_, 0, "agrees"), (200, other, 1, "differs"),
                                                        (200, dict(round_, site="Elsewhere"), 0, "has_no_such_round"),
                                                        (404, {"error": {"kind": "bad_request", "what": "round 2 is not here"}}, 0, "has_no_such_round"))):
            path = self.folder / f"record-{i}.sock"
            with Record(path, status, json.dumps(body).encode()) as record:
                done = subprocess.run([BIN / "tallywire", "sheet", "--check", page, "--json", "--socket", path], capture_output=True, text=True, timeout=60)
                record.shutdown()
            self.assertEqual((done.returncode, json.loads(done.stdout)["record"]), (code, said), done.stderr)
        self.assertEqual(self.ask("sheet", "--round", "9", "--out", self.folder / "n.html", code=2).count("no such round"), 1)

    def test_4_a_round_without_readings_says_so(self):
        page, pdf = self.folder / "empty.html", self.folder / "empty.pdf"
        self.ask("sheet", "--round", "3", "--out", page, "--pdf", pdf)
        said = " ".join(w for _, _, w in self.words(pdf))
        self.assertIn("Nothing was measured and nothing is proven", said)
        self.assertIn("it was cancelled", said)

    def test_5_the_browser_has_no_network_and_leaves_nothing(self):
        seen, fake = self.folder / "seen", self.folder / "browser"
        fake.write_text("#!/bin/sh\n"
                        f"cat /proc/self/net/dev > {seen}\necho \"$@\" >> {seen}\n"
                        "for a; do case $a in --print-to-pdf=*) printf '%%PDF-1.7 made' > \"${a#*=}\";; --user-data-dir=*) mkdir \"${a#*=}\";; esac; done\n")
        fake.chmod(0o755)
        self.ask("sheet", "--pdf", self.folder / "fake.pdf", "--browser", fake)
        self.assertTrue((self.folder / "fake.pdf").read_bytes().startswith(b"%PDF-"))
        told = seen.read_text()
        interfaces = re.findall(r"^\s*(\S+):", told, re.M)
        self.assertEqual([i for i in interfaces if i != "lo" and "--" not in i], [], told)
        profile = re.search(r"--user-data-dir=(\S+)", told)[1]
        self.assertFalse(pathlib.Path(profile).parent.exists())
        fake.write_text("#!/bin/sh\necho it broke >&2; exit 7\n")
        self.assertIn("it broke", self.ask("sheet", "--pdf", self.folder / "no.pdf", "--browser", fake, code=3))
        self.assertFalse((self.folder / "no.pdf").exists())
        self.assertIn("apt-get install chromium", self.ask("sheet", "--pdf", self.folder / "no.pdf", code=3, environment={"PATH": "/nowhere"}))
        # One that hangs is ended with all that it started.
        fake.write_text(f"#!/bin/sh\nsleep 300 & echo $! > {seen}; wait\n")
        seen.unlink()
        asked = subprocess.Popen([BIN / "tallywire", "sheet", "--pdf", self.folder / "no.pdf", "--browser", fake, "--socket", self.socket],
                                 stderr=subprocess.DEVNULL)
        wait_until(lambda: seen.exists() and seen.read_text().strip(), 20, "the browser")
        asked.send_signal(signal.SIGINT)
        self.assertEqual(asked.wait(10), 3)
        child = pathlib.Path(f"/proc/{seen.read_text().strip()}/stat")
        wait_until(lambda: not child.exists() or child.read_text().rsplit(")", 1)[1].split()[0] == "Z", 5, "the end of what the browser started")


if __name__ == "__main__":
    unittest.main(verbosity=2)
