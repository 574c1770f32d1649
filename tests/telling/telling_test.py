"""One message a night by every way, to independent peers (peers.py): the signature by hashlib, mail by aiosmtpd and Python's email,
syslog held against the grammar of RFC 5424 §6 and the framing of RFC 5425 §4.3, the journal by its native protocol. Kept over
kill -9. And the night that runs by itself, late, after the service was away."""

import base64
import datetime
import email
import email.policy
import json
import os
import pathlib
import re
import signal
import socket
import sqlite3
import sys
import tempfile
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
HERE = pathlib.Path(__file__).resolve().parent
KEY, USER, PASSWORD = "0123456789abcdef0123456789abcdef", "depot", "not-a-real-one"
# RFC 5424 §6: HEADER, one SD-ELEMENT, BOM and UTF-8.
SYSLOG = re.compile(rb'^<(?:[0-9]{1,2}|1[0-8][0-9]|19[01])>1 (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{1,6}Z) [!-~]{1,255} [!-~]{1,48} [!-~]{1,128} [!-~]{1,32} '
                    rb'\[([!#-<>-\\^-~]{1,32})((?: [!#-<>-\\^-~]{1,32}="(?:[^"\\\]]|\\["\\\]])*")*)\] \xef\xbb\xbf(.*)$', re.S)


class Telling(unittest.TestCase):
    def setUp(self):
        holder = tempfile.TemporaryDirectory(prefix="tallywire-telling-")
        self.addCleanup(holder.cleanup)
        self.folder = pathlib.Path(holder.name)
        self.ns = Namespaces("box")
        self.ns.__enter__()
        self.addCleanup(self.ns.__exit__)
        for who in ("ca", "other"):
            run("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2", "-subj", f"/CN={who}",
                "-keyout", self.folder / f"{who}.key", "-out", self.folder / f"{who}.pem")
        run("openssl", "req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj", "/CN=peer", "-keyout", self.folder / "peer.key",
            "-out", self.folder / "peer.csr")
        (self.folder / "san").write_text("subjectAltName=IP:127.0.0.1\n")
        run("openssl", "x509", "-req", "-in", self.folder / "peer.csr", "-CA", self.folder / "ca.pem", "-CAkey", self.folder / "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", self.folder / "san", "-out", self.folder / "peer.pem")
        # Twelve hours from now: no night comes by itself while the test runs.
        at = (datetime.datetime.now() + datetime.timedelta(hours=12)).strftime("%H:%M")
        camera = {"id": "gate", "switch": "sw", "port": "1", "hardware_address": "02:00:5e:10:00:01", "address": "198.51.100.11", "link_speed_mbps": 100,
                  "heads": [{"id": "1", "streams": [{"id": "main", "codec": "H264", "width_px": 640, "height_px": 360, "frame_rate_hz": 25,
                                                     "bit_rate_kbps": 1000, "path": "/main"}]}]}
        (self.folder / "design.json").write_text(json.dumps({
            "format": 1, "site": {"name": "Straßenbahnhof Lindenau"}, "switches": [{"id": "sw", "address": "198.51.100.2", "ports": ["1"]}],
            "cameras": [camera], "nightly_at": at}))
        secrets = self.folder / "secrets.json"
        secrets.touch(0o600)
        secrets.write_text(json.dumps({"desk": {"key": KEY}, "mail": {"user": USER, "password": PASSWORD}}))
        # The journal's native protocol: a datagram socket at a place that the service sees at /run/systemd/journal.
        (self.folder / "journal").mkdir()
        self.journal = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.addCleanup(self.journal.close)
        self.journal.bind(str(self.folder / "journal" / "socket"))
        self.journal.settimeout(20)

    def start(self, ca="ca.pem"):
        ca = str(self.folder / ca)
        (self.folder / "settings.json").write_text(json.dumps({"telling": {
            "webhook": {"url": "http://127.0.0.1:8088/nights", "secret": "desk"},
            "email": {"host": "127.0.0.1", "tcp_port": 8025, "from": "nights@depot.example", "to": ["admin@depot.example", "foreman@depot.example"],
                      "login_secret": "mail", "ca_file": ca},
            "syslog": {"host": "127.0.0.1", "port": 6514, "transport": "tls", "ca_file": ca}, "journal": True, "first_retry_s": 0.4}}))
        self.log = open(self.folder / "service.log", "a+")
        before = len(self.said())
        script = f"mount -t tmpfs t /run && mkdir -p /run/systemd && ln -s {self.folder}/journal /run/systemd/journal && exec \"$@\""
        self.service = self.ns.start("box", "unshare", "-m", "sh", "-c", script, "sh", f"{BIN}/tallywired", "--design", self.folder / "design.json", "--secrets",
                                     self.folder / "secrets.json", "--interface", "lo", "--record", self.folder / "record", "--socket",
                                     self.folder / "sock", "--loopback-port", "0", "--settings", self.folder / "settings.json", stderr=self.log)
        wait_until(lambda: self.service.poll() is not None or "the page is on" in self.said()[before:], 20, "the service")
        self.assertIsNone(self.service.poll(), self.said())

    def end(self, how=signal.SIGTERM):
        os.killpg(self.service.pid, how)
        self.service.wait(20)
        self.log.close()

    def said(self):
        return (self.folder / "service.log").read_text()

    def ask(self, path, *more):
        done = self.ns.run("box", "curl", "-sS", "--max-time", "20", "--unix-socket", self.folder / "sock", *more, f"http://localhost{path}")
        return json.loads(done.stdout)

    def ways(self):
        return {way["way"]: way for way in self.ask("/api/telling")["ways"]}

    def got(self, way):
        path = self.folder / "got.jsonl"
        lines = path.read_text().splitlines() if path.exists() else []
        return [one for one in map(json.loads, lines) if one["way"] == way]

    def command(self, *arguments):
        return run(f"{BIN}/tallywire", *arguments, "--socket", self.folder / "sock", check=False)

    def whole_round(self, number):
        return wait_until(lambda: next((r for r in self.ask("/api/rounds")["rounds"] if r["round"] == number and r["state"] == "complete"), None), 40, f"round {number}")

    def test_a_night_is_told_by_every_way_over_a_kill_and_the_next_one_runs_by_itself(self):
        self.start()
        self.assertEqual(self.command("drift").returncode, 3)
        self.ask("/api/rounds", "-X", "POST", "--data", '{"kind": "night"}')
        self.whole_round(1)
        # Nobody is there yet but the journal, and the dead ways do not hold it up.
        entry = self.journal.recv(65536).decode(errors="replace")  # a field of several lines has a binary length
        self.assertIn("MESSAGE=Straßenbahnhof Lindenau, night of ", entry)
        self.assertIn("TALLYWIRE_SEQUENCE=1\n", entry)
        wait_until(lambda: all(self.ways()[way]["state"] == "failing" for way in ("webhook", "email", "syslog")), 10, "the dead ways")
        self.assertEqual(self.ways()["journal"]["state"], "idle")
        self.assertEqual(self.ways()["webhook"]["where"], "http://127.0.0.1:8088")  # a path may hold a token
        self.end(signal.SIGKILL)

        self.peers = self.ns.start("box", "/usr/bin/python3", HERE / "peers.py", self.folder, KEY, USER, PASSWORD)
        wait_until(lambda: (self.folder / "peers-up").exists(), 20, "the peers")
        self.start()
        wait_until(lambda: all(way["state"] == "idle" for way in self.ways().values()), 20, "all ways told")
        self.check_webhook()
        self.check_mail()
        self.check_syslog()
        events = self.ns.run("box", "curl", "-sS", "--max-time", "2", "--unix-socket", self.folder / "sock", "http://localhost/api/events?after=0", check=False).stdout
        self.assertIn('"state":"told"', events)

        # Accepted; then the service is away for three nights.
        self.assertEqual(self.command("accept", "--by", "A. Tester", "--round", "1").returncode, 0)
        self.assertEqual(self.command("drift").returncode, 3)
        self.end()
        with self.database() as record:
            night = json.loads(record.execute("SELECT value FROM kept WHERE name = 'night'").fetchone()[0])
            before = (datetime.date.fromisoformat(max(night["date"], night["last_told_date"])) - datetime.timedelta(days=4)).isoformat()
            night.update(date=before, last_told_date=before)
            record.execute("UPDATE kept SET value = ? WHERE name = 'night'", [json.dumps(night)])
            record.execute("UPDATE outbox SET key = key || '-before'")  # that night was another one now
        record.close()
        self.start(ca="other.pem")  # and an authority that did not sign the peers
        self.whole_round(2)
        message = self.ask("/api/telling")["last_message"]
        self.assertEqual((message["sequence"], message["state"], message["accepted"], message["open"]), (2, "complete", 1, 0))
        self.assertIn("late", message["note"])
        self.assertIn("before it did not run at all", message["note"])
        self.assertGreaterEqual(message["nights_since_last"], 3)
        self.assertTrue(message["subject"].endswith("nothing changed"), message["subject"])
        wait_until(lambda: self.ways()["webhook"]["told"] == 2, 10, "the second message")
        wait_until(lambda: self.ways()["email"]["state"] == "failing", 10, "the wrong certificate")
        self.assertEqual(len([one for one in self.got("email") if "auth" in one]), 1, "no login goes to whom the authority did not sign")
        self.assertEqual(self.command("drift").returncode, 0)
        changes = self.command("drift", "--round", "2", "--since", "1", "--json")
        self.assertEqual(json.loads(changes.stdout)["since"], 1)
        self.assertEqual(self.command("drift", "--round", "2", "--since", "99").returncode, 2)
        self.assertRegex(self.ask("/api/service")["next_night"], r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")
        self.assertEqual([r["kind"] for r in self.ask("/api/rounds")["rounds"]], ["night", "night"])
        self.end()
        self.assertNotIn(PASSWORD, self.said())
        self.assertNotIn(KEY, self.said())

    def database(self):
        files = [p for p in (self.folder / "record").iterdir() if p.read_bytes()[:15] == b"SQLite format 3"]
        return sqlite3.connect(files[0])

    def check_webhook(self):
        asked = self.got("webhook")
        self.assertEqual([one["status"] for one in asked], [500, 0, 204])
        self.assertTrue(all(one["signed"] for one in asked))
        self.assertEqual(len({one["key"] for one in asked}), 1, "the same key each time")
        self.assertLess(max(one["age_s"] for one in asked), 10)
        body = asked[-1]["body"]
        self.assertEqual((body["sequence"], body["nights_since_last"], body["state"], body["round"]), (1, None, "complete", 1))

    def check_mail(self):
        auth, mail = self.got("email")
        self.assertTrue(auth["right"] and mail["tls"] and mail["login"])
        self.assertEqual(mail["receivers"], ["admin@depot.example", "foreman@depot.example"])
        parsed = email.message_from_bytes(base64.b64decode(mail["content"]), policy=email.policy.strict)
        self.assertFalse(parsed.defects)
        self.assertTrue(parsed["Subject"].startswith("Straßenbahnhof Lindenau, night of "))
        self.assertEqual(parsed["From"].addresses[0].addr_spec, "nights@depot.example")
        self.assertRegex(parsed["Message-ID"], r"^<night-[0-9-]+[A-Za-z0-9-]*@depot\.example>$")
        self.assertLess(abs((parsed["Date"].datetime - datetime.datetime.now(datetime.timezone.utc)).total_seconds()), 60)
        self.assertIn("One comes every night", parsed.get_content())
        self.assertEqual(parsed.get_content_charset(), "utf-8")

    def check_syslog(self):
        frames = [base64.b64decode(one["data"]) for one in wait_until(lambda: [one for one in self.got("syslog") if one.get("data")], 10, "syslog")]
        self.assertEqual(len(frames), 1)
        length, text = frames[0].split(b" ", 1)
        self.assertEqual(int(length), len(text))
        parts = SYSLOG.match(text)
        self.assertIsNotNone(parts, text)
        self.assertEqual(parts.group(2), b"night@32473")
        self.assertIn(' site="Straßenbahnhof Lindenau"'.encode(), parts.group(3))
        self.assertTrue(parts.group(4).decode().startswith("Straßenbahnhof Lindenau, night of "))


if __name__ == "__main__":
    unittest.main(verbosity=2)
