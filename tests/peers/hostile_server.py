#!/usr/bin/python3
"""hostile_server.py ADDRESS PORT: an RTSP server that misbehaves as the path of the URL says (/endless_header, …; the
functions below), and is honest on every other path: H.264 at 25 frames/s, TCP interleaved. Prints "ready"."""

import socket
import struct
import sys
import threading
import time

FPS, GOP = 25, 25
# ITU-T H.264 sets made with FFmpeg's encoder: High, level 4.0, 1920 x 1080, 25 frames/s.
SPS = bytes.fromhex("67640028acd940780227e5c044000003000400000300c83c60c658")
PPS = bytes.fromhex("68eae3cb22c0")
SDP = ("v=0\r\no=- 1 1 IN IP4 192.0.2.10\r\ns=-\r\nt=0 0\r\na=control:*\r\nm=video 0 RTP/AVP 96\r\n"
       "a=rtpmap:96 H264/90000\r\na=fmtp:96 packetization-mode=1\r\na=control:track0\r\n")


class Request:
    def __init__(self, head):
        lines = head.decode("latin-1").split("\r\n")
        self.method, self.url = lines[0].split(" ")[:2]
        self.headers = {k.strip().lower(): v.strip() for k, _, v in (line.partition(":") for line in lines[1:])}
        self.name = self.url.split("/", 3)[-1].split("/")[0] if self.url.count("/") >= 3 else ""

    def answer(self, *headers, body="", status="200 OK"):
        lines = [f"RTSP/1.0 {status}", f"CSeq: {self.headers.get('cseq', '')}", *headers]
        if body:
            lines.append(f"Content-Length: {len(body)}")
        return ("\r\n".join(lines) + "\r\n\r\n" + body).encode("latin-1")

    def described(self, body):
        return self.answer("Content-Type: application/sdp", body=body)

    def honest(self):
        if self.method == "OPTIONS":
            return self.answer("Public: OPTIONS, DESCRIBE, SETUP, PLAY, GET_PARAMETER, TEARDOWN")
        if self.method == "DESCRIBE":
            return self.described(SDP)
        if self.method == "SETUP":
            asked = self.headers.get("transport", "").partition("interleaved=")[2].split(";")[0] or "0-1"
            return self.answer("Session: 12345678;timeout=60", f"Transport: RTP/AVP/TCP;unicast;interleaved={asked}")
        return self.answer("Session: 12345678")


def frame(channel, packet):
    return struct.pack(">BBH", 0x24, channel, len(packet)) + packet


class Source:
    """RTP of H.264 (RFC 6184): parameter sets and an IDR each second, single slices between."""

    def __init__(self):
        self.sequence = self.pictures = 0

    def packet(self, payload, marker=False):
        self.sequence += 1
        return struct.pack(">BBHII", 0x80, 96 | marker << 7, self.sequence & 0xffff, self.pictures * 90000 // FPS, 7) + payload

    def picture(self):
        if self.pictures % GOP == 0:
            idr = [bytes([0x7c, 0x85]), bytes([0x7c, 0x05]), bytes([0x7c, 0x45])]
            payloads = [SPS, PPS] + [head + bytes(1200) for head in idr]
        else:
            payloads = [b"\x41" + bytes(900)]
        out = b"".join(frame(0, self.packet(p, i == len(payloads) - 1)) for i, p in enumerate(payloads))
        self.pictures += 1
        return out


class Hangup(Exception):
    pass


class Connection:
    def __init__(self, sock):
        self.sock, self.held = sock, b""
        sock.settimeout(60)

    def request(self):
        while b"\r\n\r\n" not in self.held:
            got = self.sock.recv(65536)
            if not got:
                raise Hangup
            self.held += got
            while self.held[:1] == b"$" and len(self.held) >= 4:  # receiver reports
                length = 4 + struct.unpack(">H", self.held[2:4])[0]
                if len(self.held) < length:
                    break
                self.held = self.held[length:]
        head, _, self.held = self.held.partition(b"\r\n\r\n")
        return Request(head)

    def send(self, octets):
        self.sock.sendall(octets)

    def flood(self, octets, limit_octets=1 << 50):
        """As fast as the client takes it."""
        block = octets * max(1, 65536 // len(octets))
        sent = 0
        while sent < limit_octets:
            self.send(block)
            sent += len(block)
        raise Hangup

    def trickle(self, octets):
        for octet in octets:
            self.send(bytes([octet]))
            time.sleep(1)
        raise Hangup

    def silence(self):
        time.sleep(60)
        raise Hangup

    def serve(self):
        while True:
            request = self.request()
            behaviour = globals().get("on_" + request.name)
            if behaviour:
                behaviour(self, request)
            else:
                self.send(request.honest())
            if request.method == "PLAY":
                threading.Thread(target=guarded, args=(self.play,), daemon=True).start()

    def play(self):
        source, begun = Source(), time.monotonic()
        while True:
            self.send(source.picture())
            time.sleep(max(0, begun + source.pictures / FPS - time.monotonic()))


def at(method):
    """The behaviour begins with this method; before it the server is honest."""
    def decorate(function):
        def behaviour(connection, request):
            if request.method == method:
                function(connection, request)
            else:
                connection.send(request.honest())
        return behaviour
    return decorate


@at("OPTIONS")
def on_endless_header(c, r):
    c.send(r.answer()[:-2])
    c.flood(b"X-Depot: tram\r\n")


@at("DESCRIBE")
def on_endless_line(c, r):
    c.send(b"RTSP/1.0 200 OK\r\nX-Depot: ")
    c.flood(b"a")


@at("DESCRIBE")
def on_endless_empty_lines(c, r):
    c.flood(b"\r\n")


@at("OPTIONS")
def on_no_rtsp(c, r):
    c.send(b"HTTP/1.1 400 Bad Request\r\n\r\n")
    c.silence()


@at("DESCRIBE")
def on_length_too_long(c, r):
    c.send(r.answer("Content-Length: 5000") + SDP.encode())
    c.silence()


@at("DESCRIBE")
def on_length_too_short(c, r):
    c.send(r.answer("Content-Length: 20") + SDP.encode())
    c.silence()


@at("DESCRIBE")
def on_length_negative(c, r):
    c.send(r.answer("Content-Length: -5") + SDP.encode())
    c.silence()


@at("DESCRIBE")
def on_length_overflow(c, r):
    c.send(r.answer("Content-Length: 18446744073709551617") + SDP.encode())
    c.silence()


@at("DESCRIBE")
def on_body_of_100_mb(c, r):
    c.send(r.answer("Content-Length: 104857600"))
    c.flood(b"a=x\r\n", 104857600)


@at("OPTIONS")
def on_trickle(c, r):
    c.trickle(r.honest())


@at("PLAY")
def on_trickled_frame(c, r):
    c.send(r.honest())
    c.trickle(Source().picture())


def on_slow_answers(c, r):
    time.sleep(4)
    c.send(r.described("v=0\r\n" + "".join(f"m=video 0 RTP/AVP 96\r\na=rtpmap:96 H264/90000\r\na=control:track{i}\r\n" for i in range(8)))
           if r.method == "DESCRIBE" else r.honest())


@at("PLAY")
def on_frames_of_no_rtp(c, r):
    c.send(r.honest())
    c.flood(frame(0, b"$\0\xff\xff no RTP at all"))


@at("PLAY")
def on_frame_overrun(c, r):
    c.send(r.honest() + b"$\0\xff\xff" + Source().picture())
    c.silence()


@at("PLAY")
def on_unknown_channels(c, r):
    c.send(r.honest())
    c.flood(frame(200, bytes(1000)))


def on_port_out_of_range(c, r):
    if r.method == "SETUP":
        asked = r.headers.get("transport", "").partition("client_port=")[2].split(";")[0]
        c.send(r.answer("Session: 12345678", f"Transport: RTP/AVP;unicast;client_port={asked};server_port=70000-70001"))
    else:
        c.send(r.honest())


@at("SETUP")
def on_channel_out_of_range(c, r):
    c.send(r.answer("Session: 12345678", "Transport: RTP/AVP/TCP;unicast;interleaved=300-301"))


@at("DESCRIBE")
def on_thousands_of_tracks(c, r):
    c.send(r.described("v=0\r\n" + "m=video 0 RTP/AVP 96\r\na=control:x\r\n" * 5000))


@at("DESCRIBE")
def on_description_without_end(c, r):
    c.send(r.described("v=0\r\n" + "a=x-depot:tram\r\n" * 60000))


@at("OPTIONS")
def on_redirect_to_itself(c, r):
    c.send(r.answer(f"Location: {r.url}", status="302 Found"))


def on_always_stale(c, r):
    c.send(r.answer(f'WWW-Authenticate: Digest realm="depot", nonce="{time.monotonic_ns():x}", stale=true', status="401 Unauthorized"))


@at("DESCRIBE")
def on_requests_without_end(c, r):
    threading.Thread(target=guarded, args=(c.flood, b"OPTIONS * RTSP/1.0\r\nCSeq: 9\r\n\r\n"), daemon=True).start()
    while c.sock.recv(1 << 20):
        pass
    raise Hangup


@at("DESCRIBE")
def on_answers_to_nothing(c, r):
    c.flood(b"RTSP/1.0 200 OK\r\nCSeq: 999\r\n\r\n")


@at("DESCRIBE")
def on_control_characters(c, r):
    c.send(r.described(SDP.replace("H264/", "\x1b[2J\x07H264/").replace("track0", "track0\x1b[31m")))


def on_hang_up_at_once(c, r):
    raise Hangup


def hang_up_after(method, part=None):
    """`part`: how many octets of the answer still go out; None: all of them."""
    @at(method)
    def behaviour(connection, request):
        connection.send(request.honest()[:part])
        raise Hangup
    return behaviour


on_hang_up_after_options = hang_up_after("OPTIONS")
on_hang_up_after_describe = hang_up_after("DESCRIBE")
on_hang_up_after_setup = hang_up_after("SETUP")
on_hang_up_after_play = hang_up_after("PLAY")
on_hang_up_in_a_header = hang_up_after("SETUP", 30)
on_hang_up_in_a_body = hang_up_after("DESCRIBE", -40)


@at("PLAY")
def on_hang_up_in_a_frame(c, r):
    c.send(r.honest() + Source().picture()[:20])
    raise Hangup


def guarded(function, *arguments):
    try:
        function(*arguments)
    except (Hangup, OSError, ValueError):
        pass


def serve(sock):
    with sock:
        guarded(Connection(sock).serve)
        try:
            sock.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass


def main():
    listener = socket.create_server((sys.argv[1], int(sys.argv[2])), backlog=64)
    print("ready", flush=True)
    while True:
        sock, _ = listener.accept()
        threading.Thread(target=serve, args=(sock,), daemon=True).start()


if __name__ == "__main__":
    main()
