#!/usr/bin/python3
"""gst_server.py ADDRESS PORT USER PASSWORD FILE…: gst-rtsp-server playing H.264 or H.265 files (Matroska, named
*.h264.mkv or *.h265.mkv), each at /N, with Digest login where a user is given. Prints "ready"."""

import sys

import gi

gi.require_version("Gst", "1.0")
gi.require_version("GstRtspServer", "1.0")
from gi.repository import GLib, Gst, GstRtspServer  # noqa: E402


def main():
    address, port, user, password, files = sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4], sys.argv[5:]
    Gst.init(None)
    server = GstRtspServer.RTSPServer()
    server.set_address(address)
    server.set_service(port)
    if user:
        auth = GstRtspServer.RTSPAuth()
        auth.set_supported_methods(2)  # GST_RTSP_AUTH_DIGEST
        token = GstRtspServer.RTSPToken()
        token.set_string("media.factory.role", "viewer")
        auth.add_digest(user, password, token)
        server.set_auth(auth)
    mounts = server.get_mount_points()
    for number, file in enumerate(files):
        name = "h265" if file.endswith(".h265.mkv") else "h264"
        factory = GstRtspServer.RTSPMediaFactory()
        factory.set_launch(f"( filesrc location={file} ! matroskademux ! {name}parse ! "
                           f"rtp{name}pay name=pay0 pt=96 config-interval=-1 mtu=1400 )")
        factory.set_shared(False)
        if user:
            permissions = GstRtspServer.RTSPPermissions()
            permissions.add_permission_for_role("viewer", "media.factory.access", True)
            permissions.add_permission_for_role("viewer", "media.factory.construct", True)
            factory.set_permissions(permissions)
        mounts.add_factory(f"/{number}", factory)
    server.attach(None)
    print("ready", flush=True)
    GLib.MainLoop().run()


if __name__ == "__main__":
    main()
