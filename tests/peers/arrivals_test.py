"""What a capture says of who sent it, field by field against tshark. The frames come from peers that nobody here wrote
(arrivals_captures.py), recorded once for each link layer; VLAN tags are put in afterwards, since not every kernel has them.
What lldpd tells another lldpd of its power is compared with what that one makes of it, too."""

import collections
import json
import pathlib
import re
import struct
import subprocess
import sys
import tempfile
import unittest
import zlib

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent / "support"))
import arrivals_captures  # noqa: E402
import tshark_sightings  # noqa: E402
from capture_bytes import fragments  # noqa: E402

BIN = pathlib.Path(sys.argv.pop())
# What the recording must hold, or nothing was proven of it.
KINDS = {"arp": {"request", "reply", "probe", "announcement"}, "dhcp": {1, 2, 3, 4, 5, 6, 7}, "dns": {None}, "lldp": {None},
         "icmpv6": {"duplicate_detection", "neighbour_solicitation", "neighbour_advertisement", "router_solicitation",
                    "router_advertisement", "listener_report", "listener_done"},
         "ws_discovery": {"hello", "bye", "probe", "probe_matches", "resolve", "resolve_matches"}}
TAGS = {"one": ((0x8100, 10),), "two": ((0x88a8, 0x6064), (0x8100, 0xe00a))}  # type, then priority and number


def unescaped(told):
    """tshark shows the dots within a label as they are."""
    if isinstance(told, list):
        return [unescaped(one) for one in told]
    if isinstance(told, dict):
        return {key: re.sub(r"\\(.)", r"\1", value) if key in ("name", "target") and isinstance(value, str) else unescaped(value)
                for key, value in told.items()}
    return told


def ours(file):
    done = subprocess.run([BIN / "sightings", file], capture_output=True, text=True, timeout=60, check=True)
    found = (json.loads(line) for line in done.stdout.splitlines())
    return {one["frame"]: unescaped(one) if one["said"] == "dns" else one for one in found}


def kinds_in(found):
    out = collections.defaultdict(set)
    for one in found.values():
        out[one["said"]].add(one.get("kind"))
    return dict(out)


def tagged(octets, link, tags):
    """A frame with VLAN tags (IEEE 802.1Q): before its EtherType, or where Linux cooked captures have it."""
    at = {"EN10MB": 12, "LINUX_SLL": 14, "LINUX_SLL2": 0}[link]
    kept = octets[at:at + 2]
    types = [struct.pack(">H", kind) for kind, _ in tags] + [kept]
    words = [struct.pack(">H", word) for _, word in tags]
    rest = b"".join(word + kind for word, kind in zip(words, types[1:]))
    if link == "LINUX_SLL2":
        return types[0] + octets[2:20] + rest + octets[20:]
    return octets[:at] + types[0] + rest + octets[at + 2:]


def in_pieces(octets):
    """A frame as several, where it is long: each UDP datagram in fragments of 400 octets."""
    wide, kind = len(octets) > 600, struct.unpack_from(">H", octets, 12)[0]
    if not wide or kind not in (0x0800, 0x86dd):
        return [octets]
    packet = octets[14:14 + struct.unpack_from(">H", octets, 16)[0]] if kind == 0x0800 else octets[14:]
    return [octets[:14] + piece for piece in fragments(packet, 400, zlib.crc32(packet))]


def rewritten(file, change):
    """The same capture with each frame changed, or made several."""
    octets = file.read_bytes()
    out, at = [octets[:24]], 24
    while at < len(octets):
        seconds, fraction, captured, _ = struct.unpack_from("<IIII", octets, at)
        made = change(octets[at + 16:at + 16 + captured])
        for frame in [made] if isinstance(made, bytes) else made:
            out.append(struct.pack("<IIII", seconds, fraction, len(frame), len(frame)) + frame)
        at += 16 + captured
    return b"".join(out)


class Arrivals(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        folder = tempfile.TemporaryDirectory(prefix="tallywire-arrivals-")
        cls.addClassCleanup(folder.cleanup)
        cls.folder = pathlib.Path(folder.name)
        cls.folder.chmod(0o755)  # lldpd and dnsmasq work as users of their own
        cls.files, cls.neighbours = arrivals_captures.record(cls.folder)

    def compare(self, file):
        mine, theirs = ours(file), tshark_sightings.sightings(file)
        self.assertEqual(set(mine), set(theirs), "frames that say anything")
        for frame, one in mine.items():
            self.assertEqual(one, theirs[frame], f"frame {frame}")
        return mine

    def test_every_field_of_every_frame_is_as_tshark_has_it(self):
        for link, file in self.files.items():
            with self.subTest(link):
                mine = self.compare(file)
                self.assertEqual(kinds_in(mine), KINDS)
                self.assertNotIn("00:00:00:00:00:00", {one["frame_source"] for one in mine.values()})
                print(f"{link}: {len(mine)} frames alike in every field")

    def test_the_same_behind_vlan_tags(self):
        for link, file in self.files.items():
            for name, tags in TAGS.items():
                with self.subTest(f"{link}, {name}"):
                    copy = self.folder / f"{link}-{name}.pcap"
                    copy.write_bytes(rewritten(file, lambda octets, link=link, tags=tags: tagged(octets, link, tags)))
                    mine = self.compare(copy)
                    self.assertEqual(kinds_in(mine), KINDS)
                    self.assertEqual({tuple(one["vlans"]) for one in mine.values()}, {tuple(word & 0xfff for _, word in tags)})

    def test_what_comes_in_fragments_is_put_together(self):
        copy = self.folder / "fragments.pcap"
        copy.write_bytes(rewritten(self.files["EN10MB"], in_pieces))
        mine = self.compare(copy)
        self.assertEqual(kinds_in(mine), KINDS)
        self.assertEqual(len(mine), len(ours(self.files["EN10MB"])))
        self.assertGreater(copy.stat().st_size, self.files["EN10MB"].stat().st_size)

    def test_the_recording_holds_what_is_rare(self):
        found = ours(self.files["EN10MB"]).values()

        def values(said, key):
            return [one[key] for one in found if one["said"] == said]
        self.assertIn("00:0a:00:ff:00:01", values("dhcp", "remote_id"))
        self.assertIn("head-1.depot.example", values("dhcp", "full_name"))
        self.assertIn(["192.0.2.1", "192.0.2.2"], values("dhcp", "routers"))
        self.assertTrue(any(record["ttl_s"] == 0 for answers in values("dns", "answers") for record in answers), "a goodbye")
        self.assertTrue(any(values("dns", "authorities")), "a probe for names")
        names = {record["name"] for answers in values("dns", "answers") for record in answers}
        self.assertIn("Head 1.north \\ Tram\u2019s._rtsp._tcp.local", names)
        powers = [power for power in values("lldp", "power") if power]
        self.assertEqual({power["extended_class"] for power in powers}, {None, 6, 15})
        self.assertEqual({power["type"] for power in powers}, {None, 1, 2})
        self.assertIn([{"id": 10, "name": "trac"}, {"id": 20, "name": "stop"}], values("lldp", "vlan_names"))

    def test_power_is_as_lldpd_itself_tells_it(self):
        """All but the words for what the PSE and the PD do: lldpd 1.0.16 has single and dual signature the other way round than
        Wireshark has them, and than the real frame of a dual-signature unit says that the standard means."""
        mine, stages = {}, 0
        for one in ours(self.files["EN10MB"]).values():
            if one["said"] == "lldp":
                mine.setdefault(one["system_name"], one["power"])  # the first: the name was changed last
        for name, told in self.neighbours.items():
            theirs = told["port"][0].get("power")
            with self.subTest(name):
                self.assertEqual(mine[name] is None, theirs is None)
                if theirs is None:
                    continue
                stages += 1
                words = {key: value[0]["value"] if isinstance(value, list) else value for key, value in theirs[0].items()}
                self.check_power(mine[name], words)
        self.assertEqual(stages, 7)

    def check_power(self, mine, theirs):
        self.assertEqual(mine["is_source"], theirs["device-type"] == "PSE")
        self.assertEqual((mine["supported"], mine["enabled"], mine["pairs_selectable"]),
                         (theirs["supported"], theirs["enabled"], theirs["paircontrol"]))
        self.assertEqual({1: "signal", 2: "spare"}[mine["pairs"]], theirs["pairs"])
        self.assertEqual(f"class {mine['power_class']}", theirs["class"])
        watts = {"requested_w": "requested", "allocated_w": "allocated", "maximum_w": "max-power"}
        extension = mine["extension"] or {}
        for key, name in watts.items():
            self.assertEqual(None if mine[key] is None else round(1000 * mine[key]), int(theirs[name]) if name in theirs else None, key)
        for key, name in (("requested_a_w", "requested-a"), ("requested_b_w", "requested-b"), ("allocated_a_w", "allocated-a"),
                          ("allocated_b_w", "allocated-b")):
            self.assertEqual(round(1000 * extension[key]) if extension else None, int(theirs[name]) if name in theirs else None, key)
        if mine["type"] is None:
            self.assertNotIn("power-type", theirs)
            return
        self.assertEqual(str(mine["type"]), theirs["power-type"])
        self.assertEqual(["unknown", "critical", "high", "low"][mine["priority"]], theirs["priority"])
        if extension:
            self.assertEqual(["Unknown", "Alternative A", "Alternative B", "Both alternatives"][extension["pairs"]], theirs["power-pairs-ext"])
            whole = mine["extended_class"]
            self.assertEqual("Dual-signature PD" if whole == 15 else f"Class {whole}", theirs["power-class-ext"])
            self.assertEqual(extension["isolated"], "is electrically isolated" in theirs["pd-load"])

    def test_a_single_wrong_octet_would_be_noticed(self):
        file = self.files["EN10MB"]
        wrong = self.folder / "wrong.pcap"
        octets = file.read_bytes()
        for right, other in ((b"\x0c\x06head-1", b"\x0c\x06head-2"), (b"urn:uuid:98190dc2", b"urn:uuid:98190dc3"),
                             (b"\x04_tcp\x05local", b"\x04_tcq\x05local")):
            self.assertIn(right, octets)
            wrong.write_bytes(octets.replace(right, other, 1))
            self.assertNotEqual(ours(wrong), tshark_sightings.sightings(file))


if __name__ == "__main__":
    unittest.main(verbosity=2)
