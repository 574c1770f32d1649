#!/usr/bin/python3
"""gst_server.py SETTINGS.json: gst-rtsp-server as the settings say; prints "ready". Settings:
  address, port          where it listens
  user, password         Digest login (MD5 is all that this server knows); left away: none
  tls                    {port, certificate}: a second door for rtsps://, the certificate and its key in one PEM file
  counts                 a file: on SIGUSR1 it gets what the payloaders made, as JSON (see Counter)
  mounts                 {path: {file | launch, multicast}}: a file (*.h264.mkv, *.h265.mkv, *.jpeg.mkv) is played to each
                         viewer from its begin; `launch` is a pipeline; multicast: [group, first port], one for all"""

import json
import os
import pathlib
import signal
import sys

import gi

gi.require_version("Gst", "1.0")
gi.require_version("GstRtsp", "1.0")
gi.require_version("GstRtspServer", "1.0")
from gi.repository import Gio, GLib, Gst, GstRtsp, GstRtspServer  # noqa: E402

PARTS = {"h264": ("h264parse", "rtph264pay config-interval=-1"), "h265": ("h265parse", "rtph265pay config-interval=-1"),
         "jpeg": ("jpegparse", "rtpjpegpay")}


class Counter:
    """The truth: each RTP packet as it leaves a payloader, added up by RTP time stamp: [time stamp, first sequence number,
    packets, payload octets, whether it holds a key picture]. One a payloader and session."""

    def __init__(self, path, pad_name, codec):
        self.path, self.pad_name, self.codec = path, pad_name, codec
        self.ssrc, self.frames = None, []

    def add(self, octets):
        begin = 12 + 4 * (octets[0] & 15)
        if octets[0] & 0x10:  # extension: RFC 3550 §5.3.1
            begin += 4 + 4 * int.from_bytes(octets[begin + 2:begin + 4], "big")
        padding = octets[-1] if octets[0] & 0x20 else 0
        stamp = int.from_bytes(octets[4:8], "big")
        self.ssrc = int.from_bytes(octets[8:12], "big")
        if not self.frames or self.frames[-1][0] != stamp:
            self.frames.append([stamp, int.from_bytes(octets[2:4], "big"), 0, 0, False])
        frame = self.frames[-1]
        frame[2] += 1
        frame[3] += len(octets) - begin - padding
        frame[4] = frame[4] or self.is_key(octets[begin:begin + 3])

    def is_key(self, head):
        if self.codec == "h264":  # NAL unit type 5, alone or in an FU-A (RFC 6184 §5.8)
            kind = head[0] & 31
            return kind == 5 or (kind == 28 and head[1] & 31 == 5)
        if self.codec == "h265":  # types 16 to 21, alone or in an FU (RFC 7798 §4.4.3)
            kind = head[0] >> 1 & 63
            return 16 <= kind <= 21 or (kind == 49 and 16 <= head[2] & 63 <= 21)
        return True

    def probe(self, _pad, info):
        if info.type & Gst.PadProbeType.BUFFER_LIST:
            buffers = info.get_buffer_list()
            for i in range(buffers.length()):
                self.add(take(buffers.get(i)))
        else:
            self.add(take(info.get_buffer()))
        return Gst.PadProbeReturn.OK


def take(buffer):
    return buffer.extract_dup(0, buffer.get_size())


class Server:
    def __init__(self, settings):
        self.settings = settings
        self.counters = []
        self.mounts = GstRtspServer.RTSPMountPoints()
        for path, mount in settings["mounts"].items():
            self.mounts.add_factory(path, self.factory(path, mount))
        self.servers = [self.door(settings["port"])]
        if "tls" in settings:
            certificate = Gio.TlsCertificate.new_from_file(settings["tls"]["certificate"])
            self.servers.append(self.door(settings["tls"]["port"], certificate))

    def door(self, port, certificate=None):
        server = GstRtspServer.RTSPServer()
        server.set_address(self.settings["address"])
        server.set_service(str(port))
        server.set_mount_points(self.mounts)
        if self.settings.get("user") or certificate:
            auth = GstRtspServer.RTSPAuth()
            auth.set_supported_methods(GstRtsp.RTSPAuthMethod.DIGEST)
            token = GstRtspServer.RTSPToken()
            token.set_string("media.factory.role", "viewer")
            if self.settings.get("user"):
                auth.add_digest(self.settings["user"], self.settings["password"], token)
            else:
                auth.set_default_token(token)
            if certificate:
                auth.set_tls_certificate(certificate)
            server.set_auth(auth)
        server.attach(None)
        return server

    def factory(self, path, mount):
        factory = GstRtspServer.RTSPMediaFactory()
        codec = mount.get("codec", "")
        if "file" in mount:
            codec = pathlib.Path(mount["file"]).suffixes[-2][1:]
            parser, payloader = PARTS[codec]
            factory.set_launch(f"( filesrc location={mount['file']} ! matroskademux ! {parser} ! "
                               f"{payloader} name=pay0 pt=96 mtu=1400 )")
        else:
            factory.set_launch(mount["launch"])
        if "multicast" in mount:
            group, port = mount["multicast"]
            pool = GstRtspServer.RTSPAddressPool()
            pool.add_range(group, group, port, port + 9, 1)
            factory.set_address_pool(pool)
            factory.set_protocols(GstRtsp.RTSPLowerTrans.UDP_MCAST)
            factory.set_multicast_iface("eth0")
        factory.set_shared("multicast" in mount)
        permissions = GstRtspServer.RTSPPermissions()
        for permission in ("media.factory.access", "media.factory.construct"):
            permissions.add_permission_for_role("viewer", permission, True)
        factory.set_permissions(permissions)
        if "counts" in self.settings:
            factory.connect("media-configure", self.count, path, codec)
        return factory

    def count(self, _factory, media, path, codec):
        for name in ("pay0", "pay1", "pay2"):
            payloader = media.get_element().get_by_name(name)
            if not payloader:
                continue
            counter = Counter(path, name, codec if name == "pay0" else "")
            self.counters.append(counter)
            payloader.get_static_pad("src").add_probe(Gst.PadProbeType.BUFFER | Gst.PadProbeType.BUFFER_LIST, counter.probe)

    def tell(self):
        rows = [{"path": c.path, "pad": c.pad_name, "ssrc": c.ssrc, "frames": c.frames} for c in self.counters]
        whole = pathlib.Path(self.settings["counts"])
        part = whole.with_suffix(".part")
        part.write_text(json.dumps(rows))
        os.replace(part, whole)
        return GLib.SOURCE_CONTINUE


def main():
    Gst.init(None)
    server = Server(json.loads(pathlib.Path(sys.argv[1]).read_text()))
    if "counts" in server.settings:
        GLib.unix_signal_add(GLib.PRIORITY_DEFAULT, signal.SIGUSR1, server.tell)
    print("ready", flush=True)
    GLib.MainLoop().run()


if __name__ == "__main__":
    main()
