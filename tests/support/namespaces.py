"""Network namespaces for tests: named with the process id, ended by name, whatever the test did."""

import os
import signal
import subprocess
import time


def run(*command, check=True, **options):
    done = subprocess.run([str(c) for c in command], capture_output=True, text=True, **options)
    if check and done.returncode != 0:
        raise RuntimeError(f"{' '.join(map(str, command))}: {done.stderr.strip() or done.stdout.strip()}")
    return done


class Namespaces:
    """with Namespaces("a", "b") as ns: ns.name("a"), ns.run("a", …), ns.start("a", …)."""

    def __init__(self, *names):
        self.names = {name: f"twt{os.getpid()}-{name}" for name in names}
        self.processes = []

    def __enter__(self):
        try:
            for full in self.names.values():
                run("ip", "netns", "add", full)
                run("ip", "-n", full, "link", "set", "dev", "lo", "up")
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_):
        for process in self.processes:
            self.end(process)
        for full in self.names.values():
            for pid in run("ip", "netns", "pids", full, check=False).stdout.split():
                try:
                    os.kill(int(pid), signal.SIGKILL)
                except ProcessLookupError:
                    pass
            run("ip", "netns", "del", full, check=False)

    def name(self, short):
        return self.names[short]

    def run(self, where, *command, **options):
        return run("ip", "netns", "exec", self.names[where], *command, **options)

    def start(self, where, *command, **options):
        options.setdefault("stdout", subprocess.DEVNULL)
        options.setdefault("stderr", subprocess.DEVNULL)
        process = subprocess.Popen(["ip", "netns", "exec", self.names[where], *map(str, command)],
                                   stdin=subprocess.DEVNULL, start_new_session=True, **options)
        self.processes.append(process)
        return process

    @staticmethod
    def end(process, how=signal.SIGTERM):
        if process.poll() is not None:
            return
        try:
            os.killpg(process.pid, how)
        except ProcessLookupError:
            pass
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait(5)

    def cable(self, a, b, name_a="eth0", name_b="eth0", address_a=None, address_b=None, mac_a=None, mac_b=None):
        run("ip", "link", "add", "name", name_a, "netns", self.names[a], "type", "veth", "peer", "name", name_b, "netns", self.names[b])
        for where, device, address, mac in ((a, name_a, address_a, mac_a), (b, name_b, address_b, mac_b)):
            if mac:
                run("ip", "-n", self.names[where], "link", "set", "dev", device, "address", mac)
            if address:
                run("ip", "-n", self.names[where], "address", "add", address, "dev", device)
            run("ip", "-n", self.names[where], "link", "set", "dev", device, "up")


def wait_until(condition, limit_s, what):
    """Bounded: answers what the condition answers, or fails naming what was waited for."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        found = condition()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"{what}: not within {limit_s} s")
