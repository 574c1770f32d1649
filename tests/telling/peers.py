"""Those who are told, in a process of their own: a web server that checks the signature by hashlib and is out of order at first,
aiosmtpd with STARTTLS and AUTH, a syslog collector over TLS. What they got goes into FOLDER/got.jsonl, a JSON object a line."""

import base64
import hashlib
import hmac
import http.server
import json
import pathlib
import socket
import ssl
import sys
import threading
import time

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

FOLDER, KEY, USER, PASSWORD = pathlib.Path(sys.argv[1]), *sys.argv[2:5]
LOCK = threading.Lock()


def got(**what):
    with LOCK, open(FOLDER / "got.jsonl", "a") as out:
        out.write(json.dumps(what) + "\n")


class Desk(http.server.BaseHTTPRequestHandler):
    asked = 0

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        right = hmac.new(KEY.encode(), self.headers["Tallywire-Time"].encode() + b"\n" + body, hashlib.sha256).hexdigest()
        Desk.asked += 1
        answer = 500 if Desk.asked == 1 else 0 if Desk.asked == 2 else 204
        got(way="webhook", status=answer, signed=hmac.compare_digest(right, self.headers["Tallywire-Hmac-Sha256"]), key=self.headers["Tallywire-Key"],
            age_s=time.time() - int(self.headers["Tallywire-Time"]), body=json.loads(body))
        if answer:
            self.send_response(answer)
            self.end_headers()

    def log_message(self, *_):
        pass


class Mailbox:
    async def handle_DATA(self, server, session, envelope):
        got(way="email", tls=session.ssl is not None, login=bool(session.authenticated), sender=envelope.mail_from, receivers=envelope.rcpt_tos,
            content=base64.b64encode(envelope.content).decode())
        return "250 taken"


def authenticate(server, session, envelope, mechanism, data):
    right = (data.login, data.password) == (USER.encode(), PASSWORD.encode())
    got(way="email", auth=mechanism, right=right)
    return AuthResult(success=right)


def context():
    out = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    out.load_cert_chain(FOLDER / "peer.pem", FOLDER / "peer.key")
    return out


def collect():
    listener = socket.create_server(("127.0.0.1", 6514))
    while True:
        plain, _ = listener.accept()
        plain.settimeout(10)
        try:
            with context().wrap_socket(plain, server_side=True) as peer:
                data = b""
                while chunk := peer.recv(65536):
                    data += chunk
                got(way="syslog", data=base64.b64encode(data).decode())
        except OSError as e:
            got(way="syslog", fault=str(e))


if __name__ == "__main__":
    threading.Thread(target=collect, daemon=True).start()
    Controller(Mailbox(), hostname="127.0.0.1", port=8025, tls_context=context(), require_starttls=True, auth_required=True,
               authenticator=authenticate, server_hostname="mail.example").start()
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 8088), Desk)
    (FOLDER / "peers-up").touch()
    server.serve_forever()
