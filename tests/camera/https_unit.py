"""A unit with HTTPS and HTTP digest login, by Python's standard library: TLS, digest and certificate are checked against
something that is not ours. https_unit.py [plain|old|TLS]: prints "PORT SHA256 NOT_AFTER", serves, and when nobody has asked
for two seconds prints what it saw as one line of JSON."""

import hashlib
import http.server
import json
import pathlib
import re
import secrets
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import xml.etree.ElementTree as tree

USER, PASSWORD, REALM = "rail", "four rails", "depot"
ENVELOPE = ('<e:Envelope xmlns:e="http://www.w3.org/2003/05/soap-envelope" xmlns:d="http://www.onvif.org/ver10/device/wsdl" '
            'xmlns:t="http://www.onvif.org/ver10/schema"><e:Body>%s</e:Body></e:Envelope>')
TIME = ("<d:GetSystemDateAndTimeResponse><d:SystemDateAndTime><t:DateTimeType>NTP</t:DateTimeType><t:UTCDateTime><t:Time><t:Hour>3"
        "</t:Hour><t:Minute>4</t:Minute><t:Second>5</t:Second></t:Time><t:Date><t:Year>2026</t:Year><t:Month>1</t:Month><t:Day>2"
        "</t:Day></t:Date></t:UTCDateTime></d:SystemDateAndTime></d:GetSystemDateAndTimeResponse>")
INFORMATION = ("<d:GetDeviceInformationResponse><d:Manufacturer>nobody</d:Manufacturer><d:Model>python</d:Model><d:FirmwareVersion>1"
               "</d:FirmwareVersion><d:SerialNumber>0042</d:SerialNumber></d:GetDeviceInformationResponse>")
SERVICES = ("<e:Fault><e:Code><e:Value>e:Receiver</e:Value></e:Code><e:Reason><e:Text>older than that</e:Text></e:Reason></e:Fault>")
CAPABILITIES = "<d:GetCapabilitiesResponse><d:Capabilities/></d:GetCapabilitiesResponse>"

seen = {"operations": [], "accepted": 0, "refused": 0, "stale": 0, "algorithms": []}
nonces = {}  # nonce -> uses so far
last = [time.monotonic()]


class Unit(http.server.BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def judge(self, header):
        """RFC 7616 §3.4.1, with hashlib: None when it is right."""
        fields = dict(re.findall(r'(\w+)="?([^",]*)"?', header.removeprefix("Digest ")))
        seen["algorithms"].append(fields.get("algorithm", "MD5"))
        hashed = hashlib.sha256 if fields.get("algorithm") == "SHA-256" else hashlib.md5
        h = lambda text: hashed(text.encode()).hexdigest()  # noqa: E731
        right = h(":".join((h(f"{USER}:{REALM}:{PASSWORD}"), fields["nonce"], fields["nc"], fields["cnonce"], fields["qop"],
                            h(f"POST:{self.path}"))))
        if fields["response"] != right or fields["uri"] != self.path or fields["username"] != USER:
            return "wrong"
        uses = nonces.get(fields["nonce"])
        if uses is None or uses >= 2:
            return "stale"  # each nonce is good for two questions
        if int(fields["nc"], 16) != uses + 1:
            return "wrong"
        nonces[fields["nonce"]] = uses + 1
        return None

    def do_POST(self):
        last[0] = time.monotonic()
        question = tree.fromstring(self.rfile.read(int(self.headers["Content-Length"])))
        operation = question.find("{http://www.w3.org/2003/05/soap-envelope}Body")[0].tag.split("}")[1]
        seen["operations"].append(operation)
        if operation == "GetSystemDateAndTime":
            return self.say(200, TIME)
        header = self.headers.get("Authorization")
        fault = self.judge(header) if header else "none"
        if fault is None:
            seen["accepted"] += 1
            return self.say(200, {"GetDeviceInformation": INFORMATION, "GetServices": SERVICES}.get(operation, CAPABILITIES))
        if fault in ("wrong", "stale"):
            seen["refused" if fault == "wrong" else "stale"] += 1
        nonce = secrets.token_hex(8)
        nonces[nonce] = 0
        stale = ", stale=true" if fault == "stale" else ""
        challenge = f'Digest realm="{REALM}", nonce="{nonce}", qop="auth,auth-int"{stale}'
        self.say(401, "", [challenge + ", algorithm=MD5", challenge + ", algorithm=SHA-256"])

    def say(self, status, body, challenges=()):
        octets = (ENVELOPE % body).encode()
        self.send_response(status)
        for challenge in challenges:
            self.send_header("WWW-Authenticate", challenge)
        self.send_header("Content-Length", str(len(octets)))
        self.end_headers()
        self.wfile.write(octets)


class Server(http.server.ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, *_):
        """A handshake that fails is what the test wants; what was seen tells the rest."""


def certificate(folder):
    key, file = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", key, "-out", file, "-days", "30", "-subj",
                    "/O=Sand store/CN=unit"], check=True, capture_output=True)
    return key, file


def main():
    kind = sys.argv[1] if len(sys.argv) > 1 else "tls"
    server = Server(("127.0.0.1", 0), Unit)
    told = "- 0"
    if kind != "plain":
        with tempfile.TemporaryDirectory() as folder:
            key, file = certificate(pathlib.Path(folder))
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            if kind == "old":
                context.minimum_version, context.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
                context.set_ciphers("ALL:@SECLEVEL=0")
            context.load_cert_chain(file, key)
            shown = subprocess.run(["openssl", "x509", "-in", file, "-noout", "-fingerprint", "-sha256", "-enddate"], check=True,
                                   capture_output=True, text=True).stdout
        fingerprint = re.search(r"Fingerprint=(\S+)", shown).group(1).replace(":", "").lower()
        end = ssl.cert_time_to_seconds(re.search(r"notAfter=(.+)", shown).group(1))
        told = f"{fingerprint} {end}"
        # The handshake belongs to the connection's own thread: one that never ends must not stop the others.
        server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    print(server.server_address[1], told, flush=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    began = time.monotonic()
    while time.monotonic() - last[0] < 2 and time.monotonic() - began < 60:
        time.sleep(0.1)
    print(json.dumps(seen), flush=True)


if __name__ == "__main__":
    main()
