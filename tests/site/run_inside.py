#!/usr/bin/python3
"""run_inside.py NAMESPACE PORT COMMAND…: opens 127.0.0.1:PORT here and runs the command inside a network namespace,
with that listening socket handed over as systemd does it (sd_listen_fds(3)). So the page of a service inside the
demo site can be opened by a browser of this machine. The process id stays the same all the way."""

import os
import socket
import sys

FIRST_HANDED_OVER = 3  # SD_LISTEN_FDS_START


def main():
    namespace, port, command = sys.argv[1], int(sys.argv[2]), sys.argv[3:]
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as fault:
        sys.exit(f"the page's port cannot be opened: {fault} (127.0.0.1:{port}); try another one with --port")
    listener.listen(64)
    if listener.fileno() != FIRST_HANDED_OVER:
        os.dup2(listener.fileno(), FIRST_HANDED_OVER)
    os.set_inheritable(FIRST_HANDED_OVER, True)
    os.environ["LISTEN_PID"], os.environ["LISTEN_FDS"] = str(os.getpid()), "1"
    os.execvp("ip", ["ip", "netns", "exec", namespace, *command])


if __name__ == "__main__":
    main()
