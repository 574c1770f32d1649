"""A switch's standard tables by SNMP. The agent is snmpd, the neighbours' table lldpd's own (AgentX), which nobody here wrote;
the figures of the other tables are invented (tests/support/invented_switch.py) and go through snmpd's encoding."""

import json
import pathlib
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
SUPPORT = HERE.parent / "support"
sys.path.insert(0, str(SUPPORT))
import invented_switch  # noqa: E402
from namespaces import Namespaces, wait_until  # noqa: E402

BIN = sys.argv.pop()
AGENT, PORTS, UPTIME = "127.0.0.1", 48, ".1.3.6.1.2.1.1.3.0"


def start_agent(ns, where, folder, tables, more=""):
    """snmpd with `tables` served to it; v2c "tramdepot", v3 user tram."""
    folder.mkdir()
    (folder / "tables.json").write_text(json.dumps({".".join(map(str, oid)): value for oid, value in tables.items()}))
    served = "".join(f"pass_persist {tree} /usr/bin/python3 {SUPPORT}/pass_persist.py {folder}/tables.json\n" for tree in invented_switch.SUBTREES)
    (folder / "snmpd.conf").write_text(
        f'agentaddress udp:{AGENT}:161\nsysname sw-hall\nrocommunity tramdepot\ncreateUser tram SHA "four rails" AES "five rails"\n'
        f"rouser tram authpriv\n{more}{served}")
    (folder / "secrets.json").touch(0o600)
    (folder / "secrets.json").write_text(json.dumps({
        "right": {"community": "tramdepot"},
        **{name: {"user": user, "auth_protocol": "SHA", "auth_password": first, "privacy_protocol": "AES", "privacy_password": second}
           for name, user, first, second in (("keys", "tram", "four rails", "five rails"), ("other-user", "tramm", "four rails", "five rails"),
                                             ("other-auth", "tram", "four nails", "five rails"), ("other-privacy", "tram", "four rails", "five nails"))}}))
    ns.start(where, "env", f"SNMP_PERSISTENT_DIR={folder}/state", "MIBS=", "snmpd", "-f", "-Lf", folder / "log", "-C", "-c", folder / "snmpd.conf",
             "-p", folder / "pid", "-I", invented_switch.BUILT_IN)
    wait_until(lambda: ns.run(where, "snmpget", "-v2c", "-c", "tramdepot", "-r0", "-t1", AGENT, UPTIME, check=False).returncode == 0, 20, "snmpd")


def ask(ns, where, folder, secret, *more):
    done = ns.run(where, f"{BIN}/tallywire", "switch", AGENT, "--snmp", secret, "--json", "--alone", "--secrets", folder / "secrets.json",
                  "--seconds", "0", *more, check=False, timeout=60)
    return done.returncode, json.loads(done.stdout)


class InventedSwitch(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.temporary = tempfile.TemporaryDirectory(prefix="tallywire-switch-")
        cls.folder = pathlib.Path(cls.temporary.name, "agent")
        cls.ns = Namespaces("agent").__enter__()
        start_agent(cls.ns, "agent", cls.folder, invented_switch.tables(PORTS))
        cls.code, cls.answer = ask(cls.ns, "agent", cls.folder, "right")

    @classmethod
    def tearDownClass(cls):
        cls.ns.__exit__()
        cls.temporary.cleanup()

    def test_every_figure_of_every_port(self):
        self.assertEqual(len(self.answer["ports"]), PORTS)
        for n, port in enumerate(self.answer["ports"], 1):
            expected = invented_switch.facts(n, PORTS)
            self.assertEqual({key: port[key] for key in expected}, expected)

    def test_learnt_addresses_with_their_vlans_and_nothing_else(self):
        got = {(n, mac): port["learnt_in_vlans"].get(mac) for n, port in enumerate(self.answer["ports"], 1) for mac in port["learnt_addresses"]}
        self.assertEqual(got, {(n, mac): [vlan] for n, mac, vlan in invented_switch.learnt(PORTS)})
        leads = [port["leads_to"] for port in self.answer["ports"]]
        self.assertEqual((leads[0], leads[7], leads[-1]), ("unit", "unknown", "many"))
        self.assertEqual(self.answer["learnt_for_s"], 300)

    def test_supply_and_chassis(self):
        self.assertEqual(self.answer["power_supplies"], [{"group": 1, "power_w": 370, "drawn_w": 61, "state": "on", "threshold_ratio": 0.8}])
        self.assertEqual(self.answer["power_rule"], "position of the port in ENTITY-MIB")
        self.assertEqual(self.answer["chassis"], [{"name": "cabinet A", "description": "a switch that does not exist", "model": "invented 48",
                                                   "serial": "TD-SW-0001", "software": "7.2.1", "firmware": "1.0"}])

    def test_only_what_is_not_there_is_unread(self):
        self.assertEqual((self.code, set(self.answer["unread"])), (3, {"lldp_mib"}))

    def test_v3_reads_the_same(self):
        again = ask(self.ns, "agent", self.folder, "keys")[1]
        self.assertEqual(again["ports"], self.answer["ports"])

    def test_wrong_keys_are_refused_and_which_is_said(self):
        for secret, said in (("other-user", "does not know the user"), ("other-auth", "authentication password"),
                             ("other-privacy", "privacy password")):
            code, answer = ask(self.ns, "agent", self.folder, secret)
            self.assertEqual((code, answer["error"]["kind"]), (3, "refused"), secret)
            self.assertIn("login refused", answer["error"]["what"])
            self.assertIn(said, answer["error"]["what"])

    def test_the_text_names_ports_and_what_they_run(self):
        done = self.ns.run("agent", f"{BIN}/tallywire", "switch", AGENT, "--snmp", "right", "--alone", "--secrets", self.folder / "secrets.json",
                           "--seconds", "0", check=False, timeout=60)
        self.assertIn("100BASE-TX", done.stdout)
        self.assertIn("4-5 or 7-8", done.stdout)  # the finding of port 3: both ends offer 1000 Mbit/s


class LackingTables(unittest.TestCase):
    def test_each_table_that_is_not_there_is_unread_for_itself(self):
        lacks = {"mau_mib": (1, 3, 6, 1, 2, 1, 26, 2), "negotiation": (1, 3, 6, 1, 2, 1, 26, 5), "entity_mib": (1, 3, 6, 1, 2, 1, 47),
                 "power_supply": (1, 3, 6, 1, 2, 1, 105, 1, 3)}
        tables = {oid: value for oid, value in invented_switch.tables(9).items() if not any(oid[:len(tree)] == tree for tree in lacks.values())}
        with tempfile.TemporaryDirectory(prefix="tallywire-switch-") as folder, Namespaces("lacking") as ns:
            start_agent(ns, "lacking", pathlib.Path(folder, "agent"), tables)
            _, answer = ask(ns, "lacking", pathlib.Path(folder, "agent"), "right")
        self.assertEqual(set(answer["unread"]), set(lacks) | {"lldp_mib"})
        self.assertEqual([p["power_class"] for p in answer["ports"]], [0, 1, 2, 3, 4, None, None, None, None])
        self.assertEqual(answer["power_rule"], "last number of the port's name")
        self.assertEqual({p["runs"] for p in answer["ports"]}, {None})


class Neighbours(unittest.TestCase):
    """lldpd on the switch answers by AgentX; lldpd on a unit and on another switch announce."""

    def test_neighbours_are_as_lldpd_shows_them(self):
        with tempfile.TemporaryDirectory(prefix="tallywire-lldp-") as temporary, Namespaces("sw", "unit", "other") as ns:
            pathlib.Path(temporary).chmod(0o755)  # lldpd gives up its rights before it opens its socket here
            folder = pathlib.Path(temporary, "agent")
            ns.cable("sw", "unit", "p1", "eth0", mac_b="02:00:5e:10:00:01", address_b="192.0.2.11/24")
            ns.cable("sw", "other", "p2", "eth0", mac_b="02:00:5e:10:01:02", address_b="192.0.2.2/24")
            start_agent(ns, "sw", folder, invented_switch.tables(9), f"master agentx\nagentXSocket unix:{folder}/agentx\n")
            for where, name in (("sw", "sw-hall"), ("unit", "gate-north"), ("other", "sw-yard")):
                ns.start(where, "lldpd", "-d", "-u", f"{temporary}/{where}.sock", "-S", f"{name} of a depot that does not exist",
                         *(["-x", "-X", f"unix:{folder}/agentx"] if where == "sw" else []))
                wait_until(lambda w=where: self.lldpcli(ns, temporary, w, "show", "chassis").returncode == 0, 20, "lldpd")
                self.lldpcli(ns, temporary, where, "configure", "system", "hostname", name)
                self.lldpcli(ns, temporary, where, "configure", "lldp", "portidsubtype", "ifname")
                self.lldpcli(ns, temporary, where, "configure", "lldp", "tx-interval", "1")
            self.lldpcli(ns, temporary, "other", "configure", "system", "capabilities", "enabled", "bridge,router")
            self.lldpcli(ns, temporary, "unit", "configure", "ports", "eth0", "dot3", "power", "pd", "supported", "enabled", "powerpairs", "signal",
                         "class", "class-4", "type", "2", "source", "pse", "priority", "high", "requested", "20000", "allocated", "18500")

            def both():
                answer = ask(ns, "sw", folder, "right")[1]
                ready = {n["system_name"] for n in answer["neighbours"]} == {"gate-north", "sw-yard"} and answer["ports"][0]["power_requested_w"]
                return answer if ready and any(n["bridges"] for n in answer["neighbours"]) else None

            answer = wait_until(both, 40, "both neighbours with all they say")
            shown = json.loads(self.lldpcli(ns, temporary, "sw", "-f", "json0", "show", "neighbors").stdout)["lldp"][0]["interface"]
        got = {n["local_port"]: n for n in answer["neighbours"]}
        self.assertEqual(set(got), {"p1", "p2"})
        for one in shown:
            chassis, n = one["chassis"][0], got[one["name"]]
            self.assertEqual(n["system_name"], chassis["name"][0]["value"])
            self.assertEqual(n["system_description"], chassis["descr"][0]["value"])
            self.assertEqual(n["chassis_id"], chassis["id"][0]["value"])
            self.assertEqual(n["port_id"], one["port"][0]["id"][0]["value"])
            self.assertEqual(n["port_description"], one["port"][0]["descr"][0]["value"])
            self.assertEqual(set(n["management_addresses"]), {ip["value"] for ip in chassis.get("mgmt-ip", [])})
            enabled = {c["type"] for c in chassis.get("capability", []) if c["enabled"]}
            self.assertEqual((n["bridges"], n["routes"]), ("Bridge" in enabled, "Router" in enabled))
            self.assertEqual(n["local_rule"], "name")
        self.assertIn("192.0.2.2", got["p2"]["management_addresses"])
        self.assertEqual([answer["ports"][i]["leads_to"] for i in (0, 1)], ["unit", "switch"])
        port = answer["ports"][0]
        self.assertEqual((port["told_power_class"], port["power_requested_w"], port["power_allocated_w"]), (4, 20.0, 18.5))

    @staticmethod
    def lldpcli(ns, folder, where, *words):
        return ns.run(where, "lldpcli", "-u", f"{folder}/{where}.sock", *words, check=False)


class OddAgents(unittest.TestCase):
    def look(self, mode):
        with tempfile.TemporaryDirectory(prefix="tallywire-odd-") as folder, Namespaces("odd") as ns:
            folder = pathlib.Path(folder)
            (folder / "secrets.json").touch(0o600)
            (folder / "secrets.json").write_text(json.dumps({"right": {"community": "tramdepot"}}))
            ns.start("odd", "/usr/bin/python3", SUPPORT / "odd_agent.py", AGENT, mode)
            wait_until(lambda: ns.run("odd", "snmpget", "-v2c", "-c", "x", "-r0", "-t1", AGENT, UPTIME, check=False).returncode == 0, 20, "the agent")
            began = time.monotonic()
            return (*ask(ns, "odd", folder, "right"), time.monotonic() - began)

    def test_a_table_that_goes_in_a_circle_is_cut_off(self):
        code, answer, _ = self.look("circle")
        self.assertEqual((code, answer["unread"]["if_mib"]), (3, "the switch's table goes in a circle"))

    def test_a_table_that_never_ends_is_cut_off_within_the_limit(self):
        code, answer, took_s = self.look("endless")
        self.assertEqual(code, 3)
        self.assertTrue(set(answer["unread"].values()) & {"the switch's table does not end",
                                                           "the switch answers too slowly: its time was used up"}, answer["unread"])
        self.assertLess(took_s, 45)

    def test_an_error_of_one_table_is_asked_for_column_by_column(self):
        code, answer, _ = self.look("error")
        self.assertEqual((code, answer["unread"]["if_mib"]), (3, "the switch shows no interfaces"))


if __name__ == "__main__":
    unittest.main(verbosity=2)
