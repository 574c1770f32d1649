#!/usr/bin/python3
"""Serves the page from daemon/board/web with invented answers (mock_site.py), for looking at the page and measuring its speed:

  mock_service.py [--units 500] [--nights 60] [--port 7880] [--events-per-s 20]

It is no service: nothing is measured, and nothing is kept."""

import argparse
import http.server
import json
import pathlib
import queue
import random
import threading
import time
import urllib.parse

import mock_site as invented

WEB = pathlib.Path(__file__).resolve().parents[2] / "daemon" / "board" / "web"
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
POLICY = "default-src 'self'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'"  # as daemon/api/server.cpp sends it


class Mock:
    """The answers and the feed. `missing`: paths that are answered with 404, as an older service would; `token`: what must be sent
    with everything but the page itself."""

    def __init__(self, units, nights=60, missing=(), token=""):
        self.units, self.nights, self.missing, self.token = units, nights, set(missing), token
        self.feeds, self.lock, self.events, self.asked = [], threading.Lock(), [], []
        self.witnesses, self.bench_runs, self.running = [], False, None
        self.proofs = {}  # by round
        self.roll = invented.roll(units)
        self.design = json.dumps(invented.design(units)).encode()
        self.document = json.dumps(invented.round_document(nights, units, nights)).encode()

    def emit(self, *events, passing=False):
        """[(name, data)…], written to each feed as one piece."""
        with self.lock:
            text = ""
            for name, data in events:
                number = "" if passing else f"id: {len(self.events) + 1}\n"
                block = f"{number}event: {name}\ndata: {json.dumps(data)}\n\n"
                if not passing:
                    self.events.append(block)
                text += block
            for feed in self.feeds:
                feed.put(text)

    def presence(self, n, presence, reason=""):
        """Changes a unit of the roll, and answers its event."""
        entry = self.roll["cameras"][n]
        was = entry["presence"]
        entry |= {"presence": presence, "reason": reason, "since": invented.at(25)}
        return ("presence", entry | {"was": was, "at": entry["since"]})

    def prove(self, n):
        """A round that proves one unit, and finds nothing wrong any more."""
        number = self.nights + len(self.proofs) + 1
        verdicts = [v | {"verdict": "met", "reason": ""} for v in invented.unit_verdicts(n)]
        self.proofs[number] = invented.summary(number, self.nights) | {"kind": "prove", "accepted": None, "verdicts": verdicts, "findings": [], "headroom": [],
                                                                       "days_held": [], "roll": [], "strangers": []}
        self.emit(self.presence(n, "proven"), ("round_ended", {"round": number, "state": "complete"}))

    def drop_feeds(self):
        with self.lock:
            for feed in self.feeds:
                feed.put(None)

    def answer(self, path, query):
        """Octets or an object; None: not there."""
        if path in self.missing:
            return None
        parts = path.split("/")[2:]
        simple = {"site": lambda: self.design, "roll": lambda: self.roll, "bench": lambda: invented.bench(min(self.units, 40), self.bench_runs),
                  "service": self.service, "headroom": lambda: {"round": self.nights, "uplinks": invented.headroom(self.units), "taps": []},
                  "days_held": lambda: {"round": self.nights, "stores": invented.days_held()}, "witnesses": lambda: {"witnesses": self.witnesses},
                  "units": lambda: {"units": [invented.unit_heard(n) for n in range(min(self.units, 40))], "dhcp_servers": [], "forgotten_units": 0},
                  "drift": lambda: {"round": self.nights, "accepted": 1, "drift": invented.drift_rows()}, "witness_points": self.points,
                  "rounds": lambda: {"rounds": [*reversed(self.proofs.values())] + [invented.summary(n, self.nights) for n in range(self.nights, 0, -1)]},
                  "telling": lambda: {"ways": [{"way": "webhook", "state": "up", "queue": 0, "last_told": invented.at(20), "last_fault": None}]},
                  "history": lambda: invented.history(query["subject"][0], query["quantity"][0], self.nights),
                  "nights": lambda: invented.nights_of(query["camera"][0], self.nights)}
        if len(parts) == 1:
            return simple[parts[0]]() if parts[0] in simple else None
        if parts[0] == "rounds" and parts[1:] in ([str(self.nights)], ["latest"]):
            return self.document
        if parts[0] == "rounds" and len(parts) == 2 and int(parts[1]) in self.proofs:
            return self.proofs[int(parts[1])]
        if parts[0] == "rounds" and parts[2:] == ["readings"]:
            return {"round": int(parts[1]), "subject": query["subject"][0], "readings": invented.readings(query["subject"][0])}
        if parts[0] == "rounds" and parts[2:] == ["changes"]:
            return {"round": int(parts[1]), "since": int(query["since"][0]), "changes": invented.drift_rows()}
        return None

    def service(self):
        return {"version": "0.0.0", "started": invented.at(), "site": "Tram depot of nowhere", "design_sha256": "0" * 64, "round_running": self.running,
                "rounds_running": [] if self.running is None else [self.running],
                "interfaces": ["eth0"], "taps": [], "next_night": "02:30", "record_fault": None}

    def points(self):
        last = {(w["subject"], w["point"]): w for w in self.witnesses}
        points = []
        for point in invented.witness_points(self.units):
            word = last.get((point["subject"], point["point"]))
            points.append(point | {"witnessed": word if word and not word["undone"] else None, "undone": word if word and word["undone"] else None})
        return {"points": points}

    def change(self, method, path, body):
        if path == "/api/witnesses":
            witness = {"undone": False} | body | {"at": invented.at(25, len(self.witnesses))}
            self.witnesses.append(witness)
            self.emit(("witness", witness))
            return 201, witness
        if path == "/api/bench":
            self.bench_runs = method == "POST"
            return 200, self.answer(path, {})
        if path == "/api/rounds":
            self.running = self.nights + 1
            self.emit(("round_started", {"round": self.running, "kind": body["kind"], "planned_s": 250.0, "plan": "invented"}))
            return 202, {"round": self.running}
        if path == f"/api/rounds/{self.running}":
            ended, self.running = self.running, None
            self.emit(("round_ended", {"round": ended, "state": "cancelled"}))
            return 202, {"cancelled": True}
        return 404, {"error": {"what": f"{path} is not here", "try_next": ""}}


def make_handler(mock):
    class Handler(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *_):
            pass

        def reply(self, status, body, kind="application/json"):
            self.send_response(status)
            for name, value in (("Content-Type", f"{kind}; charset=utf-8"), ("Content-Length", str(len(body))), ("Cache-Control", "no-store"),
                                ("Content-Security-Policy", POLICY), ("X-Content-Type-Options", "nosniff")):
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def missing(self, path):
            self.reply(404, json.dumps({"error": {"kind": "bad request", "what": f"{path} is not here", "where": "", "try_next": "see docs/api.md"}}).encode())

        def do_GET(self):
            url = urllib.parse.urlsplit(self.path)
            mock.asked.append(self.path)
            if mock.token and url.path.startswith("/api/") and self.headers.get("Authorization") != f"Bearer {mock.token}":
                return self.reply(401, json.dumps({"error": {"what": "a token is asked for", "try_next": "send Authorization"}}).encode())
            if url.path == "/api/events":
                return self.feed(urllib.parse.parse_qs(url.query))
            if url.path.startswith("/api/"):
                answer = mock.answer(url.path, urllib.parse.parse_qs(url.query))
                if answer is None:
                    return self.missing(url.path)
                return self.reply(200, answer if isinstance(answer, bytes) else json.dumps(answer).encode())
            file = WEB / ("index.html" if url.path == "/" else url.path.removeprefix("/board/"))
            if file.parent != WEB or not file.is_file():
                return self.missing(url.path)
            self.reply(200, file.read_bytes(), TYPES[file.suffix])

        def do_POST(self):
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            status, answer = mock.change(self.command, self.path, json.loads(body) if body else {})
            self.reply(status, json.dumps(answer).encode())

        do_DELETE = do_POST

        def feed(self, query):
            own = queue.Queue()
            with mock.lock:
                mock.feeds.append(own)
                after = query.get("after")
                if after:
                    own.put("".join(mock.events[int(after[0]):]) or ": nothing\n\n")
            self.send_response(200)
            self.send_header("Content-Type", "text/event-stream")
            self.send_header("Connection", "close")
            self.end_headers()
            self.close_connection = True
            try:
                while (text := self.next_of(own)) is not None:
                    self.wfile.write(text.encode())
                    self.wfile.flush()
            except OSError:
                pass
            with mock.lock:
                mock.feeds.remove(own)

        @staticmethod
        def next_of(own):
            try:
                return own.get(timeout=15)
            except queue.Empty:
                return ": still here\n\n"

    return Handler


def serve(mock, port=0):
    """The server, already answering on a thread of its own; `shutdown()` ends it."""
    server = http.server.ThreadingHTTPServer(("127.0.0.1", port), make_handler(mock))
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--port", type=int, default=7880)
    parser.add_argument("--events-per-s", type=float, default=0)
    arguments = parser.parse_args()
    mock = Mock(arguments.units, arguments.nights)
    server = serve(mock, arguments.port)
    print(f"http://127.0.0.1:{server.server_address[1]}/", flush=True)
    dice = random.Random(1)
    while True:
        if arguments.events_per_s > 0:
            mock.emit(mock.presence(dice.randrange(arguments.units), dice.choice(("arrived", "lost", "proven", "wanting"))))
            time.sleep(1 / arguments.events_per_s)
        else:
            time.sleep(1)


if __name__ == "__main__":
    main()
