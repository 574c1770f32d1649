"""The service's doors asked by curl and by plain sockets: who is let in, what a wrong request is told, how the feed goes on
after a break, and what a full disk under the record does. RFC 9110 for the status codes; the event stream as the HTML
standard lays it down."""

import json
import os
import pathlib
import signal
import socket
import subprocess
import sys
import tempfile
import time
import unittest

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
from namespaces import Namespaces, run, wait_until  # noqa: E402

BIN = sys.argv.pop()
TOKEN = "a-token-of-thirty-two-characters"

class Service:
    """One tallywired in a namespace of its own, with its files in a folder of its own."""

    def __init__(self, ns, folder, settings=None, record=None, socket_path=None, design=None, interface="lo"):
        self.folder = pathlib.Path(folder)
        self.socket = pathlib.Path(socket_path or self.folder / "tallywired.sock")
        design = design or pathlib.Path(__file__).resolve().parents[2] / "config" / "sites" / "tram-depot.json"
        secrets = self.folder / "secrets.json"
        if not secrets.exists():
            secrets.touch(0o600)
            secrets.write_text(json.dumps({
                "cameras": {"user": "depot", "password": "not-a-real-one"}, "switches": {"community": "tram"},
                "far-end": {"key": "0" * 32}, "board": {"key": TOKEN}}))
        arguments = ["--design", design, "--secrets", secrets, "--interface", interface, "--record", record or self.folder / "record",
                     "--socket", self.socket, "--loopback-port", "0"]
        if settings:
            (self.folder / "settings.json").write_text(json.dumps(settings))
            arguments += ["--settings", self.folder / "settings.json"]
        self.log = open(self.folder / "service.log", "w+")  # its own: a killed one's would say that this one is up
        self.ns = ns
        self.process = ns.start("box", f"{BIN}/tallywired", *arguments, stderr=self.log)

    def up(self):
        wait_until(lambda: self.process.poll() is not None or "the page is on" in self.said(), 20, "the service")
        assert self.process.poll() is None, self.said()
        self.port = int(self.said().rsplit("http://127.0.0.1:", 1)[1].split()[0])
        return self

    def said(self):
        return (self.folder / "service.log").read_text()

    def end(self, how=signal.SIGTERM):
        os.killpg(self.process.pid, how)
        self.process.wait(20)
        self.log.close()

    def curl(self, *arguments, where="box"):
        return self.ns.run(where, "curl", "-sS", "--max-time", "20", *arguments, check=False)

    def status(self, *arguments, where="box"):
        return self.curl("-o", "/dev/null", "-w", "%{http_code}", *arguments, where=where).stdout

    def by_socket(self, path, *arguments):
        return self.curl("--unix-socket", self.socket, *arguments, f"http://localhost{path}")

    def plain(self):
        out = socket.socket(socket.AF_UNIX)
        out.settimeout(30)
        out.connect(str(self.socket))
        return out


class Doors(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.ns = Namespaces("box", "desk")
        cls.ns.__enter__()
        cls.addClassCleanup(cls.ns.__exit__)
        cls.ns.cable("box", "desk", address_a="198.51.100.1/24", address_b="198.51.100.2/24")
        holder = tempfile.TemporaryDirectory(prefix="tallywire-api-")
        cls.addClassCleanup(holder.cleanup)
        cls.folder = pathlib.Path(holder.name)
        run("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
            "-subj", "/CN=box.example", "-addext", "subjectAltName=IP:198.51.100.1", "-keyout", cls.folder / "key.pem",
            "-out", cls.folder / "cert.pem")
        cls.service = Service(cls.ns, cls.folder, {"open_door": {
            "address": "198.51.100.1", "tcp_port": 7443, "certificate_file": str(cls.folder / "cert.pem"),
            "key_file": str(cls.folder / "key.pem"), "token_secret": "board"}}).up()
        cls.addClassCleanup(cls.service.end)

    def test_the_unix_socket_is_for_its_user_and_group(self):
        self.assertEqual(self.service.socket.stat().st_mode & 0o777, 0o660)
        self.assertEqual(json.loads(self.service.by_socket("/api/service").stdout)["site"][:10], "Tram depot")

    def test_loopback_answers_only_to_its_own_names(self):
        url = f"http://127.0.0.1:{self.service.port}/api/service"
        self.assertEqual(self.service.status(url), "200")
        for host in ("board.example", "198.51.100.1", "127.0.0.1.board.example"):
            self.assertEqual(self.service.status("-H", f"Host: {host}", url), "403", host)
        self.assertNotEqual(self.service.curl(f"http://198.51.100.1:{self.service.port}/").returncode, 0)

    def test_the_open_door_wants_tls_and_the_token(self):
        url = "https://198.51.100.1:7443/api/service"
        trusted = ["--cacert", self.folder / "cert.pem"]
        ask = lambda *more: self.service.status(*trusted, *more, url, where="desk")
        self.assertEqual(ask(), "401")
        self.assertEqual(ask("-H", "Authorization: Bearer wrong"), "401")
        self.assertEqual(ask("-H", f"Authorization: Bearer {TOKEN[:-1]}x"), "401")
        self.assertEqual(ask("-H", f"Authorization: Bearer {TOKEN}"), "200")
        # The page asks for the token itself, so it comes without; nothing else does.
        door = lambda path, *more: self.service.status(*trusted, "--path-as-is", *more, f"https://198.51.100.1:7443{path}", where="desk")
        self.assertEqual([door(path) for path in ("/", "/board/main.js")], ["200", "200"])
        for path in ("/api/site", "/metrics", "/nowhere", "/?/board/", "//board/", "/board", "/board/../api/site", "/board/%2e%2e/api/site", "/%61pi/site"):
            self.assertIn(door(path), ("401", "404"), path)
        self.assertEqual(door("/board/main.js", "-X", "POST"), "401")
        # In clear nothing is answered; TLS 1.1 (RFC 8996: must not be used) is refused.
        self.assertEqual(self.service.status("http://198.51.100.1:7443/api/service", where="desk"), "000")
        self.assertEqual(ask("--tls-max", "1.1", "-H", f"Authorization: Bearer {TOKEN}"), "000")
        self.assertNotIn(TOKEN, self.service.said())

    def test_every_answer_keeps_other_pages_out(self):
        for path in ("/", "/api/service", "/nowhere"):
            head = self.service.by_socket(path, "-i").stdout.lower()
            self.assertIn("content-security-policy: default-src 'self'", head, path)
            self.assertIn("x-content-type-options: nosniff", head, path)

    def test_wrong_requests_are_told_what_is_wrong(self):
        post = lambda path, body: self.service.by_socket(path, "-X", "POST", "--data-binary", body, "-w", "\n%{http_code}").stdout
        for path, body, status in (("/api/rounds", "no json", 400), ("/api/rounds", "[]", 400), ("/api/rounds", '{"kind": "party"}', 400), ("/api/rounds", '{"kind": 5}', 400),
                                   ("/api/rounds", '{"cameras": ["nobody"]}', 422), ("/api/asks", '{"command": "dance"}', 422),
                                   ("/api/witnesses", "no json", 400), ("/api/witnesses", '{"subject": "x"}', 422),
                                   ("/api/witnesses", '{"subject": "camera/gate-north", "point": "roof", "by": "A"}', 422), ("/api/witnesses", '{"subject": "camera/nobody", "point": "lanyard", "by": "A"}', 422),
                                   ("/api/witnesses", '{"subject": "camera/gate-north", "point": "lanyard", "by": "A\\u001b"}', 422), ("/api/rounds/7/accept", '{"by": "me"}', 409), ("/api/rounds/7/accept", '{"by": "me\\n"}', 422)):
            answer, said = post(path, body).rsplit("\n", 1)
            self.assertEqual(int(said), status, (path, body))
            self.assertTrue(json.loads(answer)["error"]["what"])
        for path in ("/api/nothing", "/api/rounds/%ff", "/api/rounds/1e3", "/api/asks/77", "/api/tap", "/api/tap/live", "/../etc/passwd", "/board/%2e%2e/x"):
            self.assertEqual(self.service.by_socket(path, "-o", "/dev/null", "-w", "%{http_code}").stdout, "404", path)

    def test_a_body_nested_without_end_harms_nothing(self):
        deep = self.folder / "deep"
        deep.write_text('{"arguments": ' + "[" * 100_000 + "]" * 100_000 + "}")
        for path in ("/api/witnesses", "/api/asks", "/api/rounds", "/api/record/copy"):
            self.assertEqual(self.service.by_socket(path, "-X", "POST", "--data-binary", f"@{deep}", "-H", "Expect:", "-o", "/dev/null", "-w", "%{http_code}").stdout,
                             "400", path)
        self.assertEqual(self.service.by_socket("/api/service", "-o", "/dev/null", "-w", "%{http_code}").stdout, "200")

    def test_a_page_from_elsewhere_may_change_nothing(self):
        post = lambda origin: self.service.status("-X", "POST", "-H", f"Origin: {origin}", "-H", "Content-Type: text/plain", "--data-binary",
                                                  '{"subject": "camera/gate-north", "point": "lanyard", "by": "b"}',
                                                  f"http://127.0.0.1:{self.service.port}/api/witnesses")
        for origin in ("http://elsewhere.example", "null", f"http://127.0.0.1:{self.service.port + 1}"):
            self.assertEqual(post(origin), "403", origin)
        self.assertEqual(post(f"http://127.0.0.1:{self.service.port}"), "201")

    def test_ctrl_c_ends_following_at_once_on_a_quiet_site(self):
        following = self.ns.start("box", f"{BIN}/tallywire", "arrivals", "--follow", "--socket", self.service.socket)
        time.sleep(1)
        os.killpg(following.pid, signal.SIGINT)
        self.assertEqual(following.wait(5), 0)

    def test_too_large_is_413_and_no_http_is_400(self):
        big = self.folder / "big"
        big.write_bytes(b"x" * 3000 * 1024)
        said = self.service.by_socket("/api/rounds", "-X", "POST", "--data-binary", f"@{big}", "-H", "Expect:", "-o", "/dev/null", "-w", "%{http_code}")
        self.assertEqual(said.stdout, "413")
        for rubbish in (b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n", b"HELO there\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n"):
            with self.service.plain() as door:
                door.sendall(rubbish)
                self.assertTrue(door.recv(4096).startswith(b"HTTP/1.1 400"), rubbish)

    def test_a_client_that_says_nothing_or_half_is_let_go_and_harms_nobody(self):
        silent, half = self.service.plain(), self.service.plain()
        with silent, half:
            half.sendall(b"GET /api/service HTTP/1.1\r\nHost: loc")
            self.assertIn("version", self.service.by_socket("/api/service").stdout)
            started = time.monotonic()
            self.assertEqual(silent.recv(10), b"")
            self.assertEqual(half.recv(10), b"")
            self.assertLess(time.monotonic() - started, 20)

    def test_a_crowd_at_one_door_leaves_the_others_open(self):
        crowd = [self.service.plain() for _ in range(300)]
        try:
            self.assertEqual(self.service.status(f"http://127.0.0.1:{self.service.port}/api/service"), "200")
        finally:
            for one in crowd:
                one.close()
        wait_until(lambda: self.service.by_socket("/api/service").returncode == 0, 20, "the socket again")

    def events(self, after, count):
        """ids of the first `count` kept events after one."""
        with self.service.plain() as feed:
            feed.sendall(f"GET /api/events HTTP/1.1\r\nHost: localhost\r\nLast-Event-ID: {after}\r\n\r\n".encode())
            text = b""
            end = time.monotonic() + 10
            while text.count(b"\nid: ") + text.startswith(b"id: ") < count and time.monotonic() < end:
                got = feed.recv(65536)
                if not got:
                    break
                text += got
        return [int(line[4:]) for line in text.decode().splitlines() if line.startswith("id: ")][:count]

    def test_the_feed_goes_on_where_it_broke_off(self):
        for n in range(12):
            done = self.service.by_socket("/api/witnesses", "-X", "POST", "--data-binary",
                                          json.dumps({"subject": "camera/gate-north", "point": "glands", "by": "A. Tester", "note": f"gland {n}"}))
            self.assertEqual(done.returncode, 0)
        first = self.events(0, 5)
        self.assertEqual(len(first), 5)
        rest = self.events(first[-1], 7)
        self.assertEqual(first + rest, list(range(first[0], first[0] + 12)))

    def test_text_that_is_no_utf_8_harms_nothing(self):
        body = b'{"subject": "camera/gate-north", "point": "Gl\xe4ser", "by": "B"}'
        with self.service.plain() as door:
            door.sendall(b"POST /api/witnesses HTTP/1.1\r\nHost: localhost\r\nContent-Length: %d\r\n\r\n" % len(body) + body)
            self.assertRegex(door.recv(4096)[:12], rb"HTTP/1.1 (201|400)")
        json.loads(self.service.by_socket("/api/witnesses").stdout)


class Starting(unittest.TestCase):
    def setUp(self):
        self.ns = Namespaces("box")
        self.ns.__enter__()
        self.addCleanup(self.ns.__exit__)
        holder = tempfile.TemporaryDirectory(prefix="tallywire-start-")
        self.addCleanup(holder.cleanup)
        self.folder = pathlib.Path(holder.name)

    def part(self, name):
        (self.folder / name).mkdir(exist_ok=True)
        return self.folder / name

    def ends(self, service):
        code = service.process.wait(20)
        service.log.close()
        return code

    def test_a_file_named_as_socket_is_left_alone(self):
        precious = self.folder / "precious.txt"
        precious.write_text("not yours")
        service = Service(self.ns, self.part("a"), socket_path=precious)
        self.assertEqual(self.ends(service), 2)
        self.assertIn("is no socket", service.said())
        self.assertEqual(precious.read_text(), "not yours")

    def test_a_killed_services_socket_is_taken_over_and_a_living_ones_is_not(self):
        service = Service(self.ns, self.part("a")).up()
        service.end(signal.SIGKILL)
        self.assertTrue(service.socket.exists())
        again = Service(self.ns, self.part("a")).up()
        other = Service(self.ns, self.part("b"), socket_path=service.socket)
        self.assertEqual(self.ends(other), 1)
        self.assertIn("another tallywired answers here already", other.said())
        self.assertIn("version", again.by_socket("/api/service").stdout)
        again.end()
        self.assertFalse(again.socket.exists())

    def test_a_second_service_leaves_the_firsts_record_alone(self):
        first = Service(self.ns, self.part("a")).up()
        first.by_socket("/api/rounds", "-X", "POST", "--data-binary", "{}")
        second = Service(self.ns, self.part("b"), record=self.folder / "a" / "record")
        self.assertEqual(self.ends(second), 1)
        self.assertIn("another tallywired keeps this record", second.said())
        self.assertEqual(json.loads(first.by_socket("/api/rounds/latest").stdout)["state"], "running")
        first.by_socket("/api/rounds/current", "-X", "DELETE")
        first.end()

    def test_a_round_that_a_killed_service_left_running_is_told_at_the_next_start_and_not_compared(self):
        service = Service(self.ns, self.part("a")).up()
        service.by_socket("/api/rounds", "-X", "POST", "--data-binary", "{}")
        wait_until(lambda: json.loads(service.by_socket("/api/service").stdout)["round_running"], 10, "the round")
        service.end(signal.SIGKILL)
        again = Service(self.ns, self.part("a")).up()
        newest = json.loads(again.by_socket("/api/rounds").stdout)["rounds"][0]
        self.assertEqual(newest["state"], "broken_off")
        self.assertGreaterEqual(newest["ended"], newest["started"])
        feed = again.by_socket("/api/events", "-H", "Last-Event-ID: 0", "--max-time", "1").stdout
        told = feed.split("event: round_ended\n", 1)[1].split("data: ", 1)[1].split("\n", 1)[0]
        self.assertEqual(json.loads(told), newest)
        refused = again.by_socket("/api/rounds/1/changes?since=1", "-w", "\n%{http_code}").stdout
        self.assertTrue(refused.endswith("\n422"), refused)
        self.assertIn("round 1 was broken off", refused)
        drift = self.ns.run("box", f"{BIN}/tallywire", "drift", "--round", "1", "--since", "1", "--socket", again.socket, check=False)
        self.assertEqual(drift.returncode, 2, drift.stderr)
        self.assertEqual(again.by_socket("/api/rounds/9/changes?since=1", "-o", "/dev/null", "-w", "%{http_code}").stdout, "404")
        again.end()

    def fill(self, disk):
        filler = os.open(disk / "filler", os.O_WRONLY | os.O_CREAT)
        with self.assertRaises(OSError):
            for _ in range(1024):
                os.write(filler, b"\0" * 4096)
        os.close(filler)

    def test_the_end_of_a_round_on_a_full_disk_is_kept_when_there_is_room(self):
        disk = self.part("disk")
        run("mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk)
        self.addCleanup(run, "umount", disk)
        service = Service(self.ns, self.part("a"), record=disk / "record").up()
        said = lambda: json.loads(service.by_socket("/api/service").stdout)
        rounds = lambda: json.loads(service.by_socket("/api/rounds").stdout)["rounds"]
        command = self.ns.start("box", f"{BIN}/tallywire", "round", "--socket", service.socket, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        wait_until(lambda: said()["round_running"], 10, "the round")
        self.fill(disk)
        witness = json.dumps({"subject": "camera/gate-north", "point": "lanyard", "by": "A. Tester", "note": "x" * 2000})
        add = lambda: service.by_socket("/api/witnesses", "-X", "POST", "--data-binary", witness, "-o", "/dev/null", "-w", "%{http_code}").stdout
        wait_until(lambda: add() == "503", 10, "no room for anything")
        os.killpg(command.pid, signal.SIGINT)
        told = command.communicate(timeout=20)[1]
        told = told if isinstance(told, str) else told.decode()
        self.assertEqual(command.returncode, 3, told)
        self.assertIn("round 1 has ended but could not be kept yet: the disk under the record is full", told)
        self.assertNotIn("exception", told)
        self.assertEqual((said()["rounds_running"], rounds()[0]["state"]), ([], "running"))
        self.assertIn("the disk under the record is full", said()["record_fault"])
        (disk / "filler").unlink()
        wait_until(lambda: rounds()[0]["state"] == "cancelled", 8, "the end of the round")
        wait_until(lambda: said()["record_fault"] is None, 2, "no fault any more")
        self.assertGreater(len(json.loads(service.by_socket("/api/rounds/1").stdout)["verdicts"]), 0)
        service.end()

    def test_a_full_disk_under_the_record_is_said_and_nothing_is_corrupted(self):
        disk = self.part("disk")
        run("mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", disk)
        self.addCleanup(run, "umount", disk)
        service = Service(self.ns, self.part("a"), record=disk / "record").up()
        witness = json.dumps({"subject": "camera/gate-north", "point": "lanyard", "by": "A. Tester", "note": "x" * 2000})
        add = lambda: service.by_socket("/api/witnesses", "-X", "POST", "--data-binary", witness, "-o", "/dev/null", "-w", "%{http_code}").stdout
        self.assertEqual(add(), "201")
        self.fill(disk)
        kept = 1
        for _ in range(400):
            answer = add()
            if answer == "503":
                break
            self.assertEqual(answer, "201")
            kept += 1
        self.assertEqual(answer, "503")
        said = json.loads(service.by_socket("/api/witnesses", "-X", "POST", "--data-binary", witness).stdout)["error"]
        self.assertEqual(said["what"], "the disk under the record is full")
        started = service.by_socket("/api/rounds", "-X", "POST", "--data-binary", "{}", "-w", "\n%{http_code}").stdout
        self.assertTrue(started.endswith("503"), started)
        wait_until(lambda: json.loads(service.by_socket("/api/service").stdout)["record_fault"], 10, "the fault in the service's words")
        self.assertIn("the disk under the record is full", service.said())
        # Room again: it goes on keeping, and what was acknowledged is all there.
        (disk / "filler").unlink()
        self.assertEqual(add(), "201")
        self.assertEqual(len(json.loads(service.by_socket("/api/witnesses").stdout)["witnesses"]), kept + 1)
        service.end()
        check = run("/usr/bin/python3", "-c",
                    "import sqlite3, sys; print(sqlite3.connect(sys.argv[1]).execute('pragma integrity_check').fetchone()[0])",
                    disk / "record" / "record.sqlite")
        self.assertEqual(check.stdout.strip(), "ok")


if __name__ == "__main__":
    unittest.main(verbosity=2)
