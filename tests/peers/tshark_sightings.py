"""What tshark decodes of each frame, in the shape in which the program `sightings` prints it. Two things tshark 4.0 does not
decode: WS-Discovery, whose octets it hands out and Python's own XML parser reads; and the last bit of 802.3bt's system setup."""

import ipaddress
import urllib.parse
import xml.etree.ElementTree as ElementTree

from namespaces import run

ARP_KINDS = {1: "request", 2: "reply"}
ICMPV6_KINDS = {131: "listener_report", 132: "listener_done", 133: "router_solicitation", 134: "router_advertisement",
                135: "neighbour_solicitation", 136: "neighbour_advertisement", 143: "listener_report"}
WS_KINDS = {"Hello": "hello", "Bye": "bye", "Probe": "probe", "ProbeMatches": "probe_matches", "Resolve": "resolve",
            "ResolveMatches": "resolve_matches"}


def sightings(file):
    """{frame number: fields}, of the frames in which tshark finds anything of ours."""
    text = run("tshark", "-n", "-r", file, "-T", "pdml", "-Y", "arp or lldp or icmpv6 or dhcp or mdns or udp.port == 3702").stdout
    out = {}
    for packet in ElementTree.fromstring(text):
        found = of_packet(packet)
        if found:
            out[found["frame"]] = found
    return out


# PDML: fields nest, `show` is what tshark shows, `value` the octets in hexadecimal.
def nodes(tree, name):
    return [field for field in tree.iter("field") if field.get("name") == name]


def shows(tree, name):
    return [field.get("show") for field in nodes(tree, name)]


def show(tree, name):
    found = shows(tree, name)
    return found[0] if found else None


def number(tree, name):
    text = show(tree, name)
    return None if text is None else int(text, 16 if text.startswith("0x") else 10)


def flag(tree, name):
    return show(tree, name) == "1"


def octets(node):
    return bytes.fromhex(node.get("value") or "")


def text_of(raw):
    """As a text of other machines is told: without the NULs at its end, and with U+FFFD for what is no text."""
    return "".join(c if ord(c) >= 0x20 and not 0x7f <= ord(c) < 0xa0 else "\ufffd" for c in raw.rstrip(b"\0").decode("utf-8", "replace"))


def id_of(raw):
    return raw.hex(":") if "\ufffd" in text_of(raw) else text_of(raw)


def address(text):
    return None if text is None or ipaddress.ip_address(text).is_unspecified else str(ipaddress.ip_address(text))


def of_packet(packet):
    protocols = {proto.get("name"): proto for proto in reversed(list(packet.findall("proto")))}  # the outermost of each
    order = [proto.get("name") for proto in packet.findall("proto")]
    said = None
    for name, decode in (("arp", arp), ("lldp", lldp), ("icmpv6", icmpv6), ("dhcp", dhcp), ("mdns", dns), ("udp", ws_discovery)):
        # What an ICMP error quotes was not said by its sender.
        if name in protocols and "icmp" not in order and not ("icmpv6" in order and name != "icmpv6"):
            said = decode(protocols[name], packet)
            if said:
                break
    if not said:
        return None
    seconds, fraction = show(protocols["frame"], "frame.time_epoch").split(".")
    ip = protocols.get("ip") if "ip" in protocols else protocols.get("ipv6")
    sender = None if ip is None else address(show(ip, "ip.src") or show(ip, "ipv6.src"))
    vlans = [int(field.get("show")) for field in packet.iter("field") if field.get("name") in ("vlan.id", "ieee8021ad.id")]
    mac = show(packet, "eth.src") or show(packet, "sll.src.eth") or "00:00:00:00:00:00"
    return said | {"frame": number(protocols["geninfo"], "num"), "when_ns": int(seconds) * 10**9 + int(fraction.ljust(9, "0")),
                   "frame_source": mac, "vlans": vlans, "sent_from": sender}


def arp(tree, _):
    if number(tree, "arp.opcode") not in ARP_KINDS or number(tree, "arp.hw.type") != 1 or number(tree, "arp.proto.type") != 0x0800:
        return None
    kind, own, target = ARP_KINDS[number(tree, "arp.opcode")], show(tree, "arp.src.proto_ipv4"), show(tree, "arp.dst.proto_ipv4")
    if kind == "request":  # RFC 5227 §1.1; tshark's own marks ask for more than that section does
        kind = "probe" if own == "0.0.0.0" else "announcement" if own == target else kind
    return {"said": "arp", "kind": kind, "sender": show(tree, "arp.src.hw_mac"), "sender_address": own,
            "target": show(tree, "arp.dst.hw_mac"), "target_address": target}


def dhcp(tree, _):
    kind = number(tree, "dhcp.option.dhcp")
    if kind is None or not 1 <= kind <= 8:
        return None

    def raw(name):
        return b"".join(octets(node) for node in nodes(tree, name))

    client_id = [octets(node)[2:] for node in nodes(tree, "dhcp.option.type") if octets(node)[:1] == b"\x3d"]
    return {"said": "dhcp", "from_client": number(tree, "dhcp.type") == 1, "kind": kind, "transaction": number(tree, "dhcp.id"),
            "seconds_tried": number(tree, "dhcp.secs"), "client": show(tree, "dhcp.hw.mac_addr"),
            "client_address": address(show(tree, "dhcp.ip.client")), "your_address": address(show(tree, "dhcp.ip.your")),
            "relay_address": address(show(tree, "dhcp.ip.relay")),
            "requested_address": address(show(tree, "dhcp.option.requested_ip_address")),
            "server": address(show(tree, "dhcp.option.dhcp_server_id")), "subnet_mask": show(tree, "dhcp.option.subnet_mask"),
            "routers": shows(tree, "dhcp.option.router"), "lease_s": number(tree, "dhcp.option.ip_address_lease_time"),
            "host_name": text_of(raw("dhcp.option.hostname")), "full_name": show(tree, "dhcp.fqdn.name") or "",
            "vendor_class": text_of(raw("dhcp.option.vendor_class_id")), "client_id": list(b"".join(client_id)),
            "asked_options": [int(v) for v in shows(tree, "dhcp.option.request_list_item")],
            "circuit_id": id_of(raw("dhcp.option.agent_information_option.agent_circuit_id")),
            "remote_id": id_of(raw("dhcp.option.agent_information_option.agent_remote_id"))}


def icmpv6(tree, packet):
    kind = ICMPV6_KINDS.get(number(tree, "icmpv6.type"))
    if kind is None or show(tree, "icmpv6.checksum.status") != "1":
        return None
    source, destination = show(packet, "ipv6.src"), show(packet, "ipv6.dst")
    joined, left = shows(tree, "icmpv6.mld.multicast_address"), []
    for record in nodes(tree, "icmpv6.mldr.mar"):  # RFC 3810 §5.2.12
        how, sources = number(record, "icmpv6.mldr.mar.record_type"), number(record, "icmpv6.mldr.mar.nb_sources")
        group = show(record, "icmpv6.mldr.mar.multicast_address")
        if how in (2, 4) or (how in (1, 3, 5) and sources):
            joined.append(group)
        elif how == 3:
            left.append(group)
    if left and not joined:
        kind, joined, left = "listener_done", left, []
    nobody = ipaddress.ip_address(source).is_unspecified
    if kind == "neighbour_solicitation" and nobody:
        kind = "duplicate_detection"
    target = show(tree, "icmpv6.nd.ns.target_address") or show(tree, "icmpv6.nd.na.target_address")
    option = "icmpv6.opt.target_linkaddr" if kind == "neighbour_advertisement" else "icmpv6.opt.src_linkaddr"
    owned = target if kind == "neighbour_advertisement" else None if nobody else source
    return {"said": "icmpv6", "kind": kind, "source": source, "destination": destination, "target": target,
            "link_layer": show(tree, option), "groups": joined, "groups_left": left, "is_router": flag(tree, "icmpv6.nd.na.flag.r"),
            "solicited": flag(tree, "icmpv6.nd.na.flag.s"), "overrides": flag(tree, "icmpv6.nd.na.flag.o"), "owned": owned}


def name_of(text):
    return "." if text == "<Root>" else text or ""


def record_of(tree):
    kind = number(tree, "dns.resp.type")
    if kind == 41:  # OPT
        return {"name": ".", "type": 41, "flushes_cache": False, "ttl_s": 0, "target": "", "port": 0, "texts": [], "address": None}
    target = {12: "dns.ptr.domain_name", 33: "dns.srv.target"}.get(kind)
    texts = {16: ["dns.txt"], 13: ["dns.hinfo.cpu", "dns.hinfo.os"]}.get(kind, [])
    # The name of an SRV record it tells in parts, but whole in the line above them.
    name = show(tree, "dns.resp.name") or tree.get("show").split(": type ")[0]
    return {"name": name_of(name), "type": kind, "flushes_cache": flag(tree, "dns.resp.cache_flush"),
            "ttl_s": number(tree, "dns.resp.ttl"), "target": name_of(show(tree, target)) if target else "",
            "port": number(tree, "dns.srv.port") or 0, "texts": [text_of(octets(n)) for name in texts for n in nodes(tree, name) if octets(n)],
            "address": show(tree, "dns.a") or show(tree, "dns.aaaa")}


def dns(tree, _):
    if number(tree, "dns.flags.opcode") or number(tree, "dns.flags.rcode"):
        return None
    groups = {field.get("show"): field for field in tree.findall("field") if not field.get("name")}
    questions = [{"name": name_of(show(q, "dns.qry.name")), "type": number(q, "dns.qry.type"), "wants_unicast": flag(q, "dns.qry.qu")}
                 for q in groups.get("Queries", ())]
    lists = {key: [record_of(r) for r in groups.get(title, ())] for key, title in
             (("answers", "Answers"), ("authorities", "Authoritative nameservers"), ("additionals", "Additional records"))}
    return {"said": "dns", "id": number(tree, "dns.id"), "is_response": flag(tree, "dns.flags.response"), "questions": questions} | lists


def ws_discovery(tree, packet):
    data = nodes(packet, "data.data")
    if 3702 not in (number(tree, "udp.srcport"), number(tree, "udp.dstport")) or not data:
        return None
    envelope = ElementTree.fromstring(octets(data[0]))

    def local(element):
        return element.tag.split("}")[-1]

    def inside(element, *path):
        for step in path:
            element = next((child for child in element if local(child) == step), ()) if element is not None else ()
        return element

    def text(element, *path):
        found = inside(element, *path)
        return (found.text or "").strip() if found != () else ""

    def device(element):
        scopes = text(element, "Scopes").split()
        parts = [urllib.parse.urlsplit(s).path[1:].partition("/") for s in scopes if s.startswith("onvif://www.onvif.org/")]
        first = {key: next((urllib.parse.unquote(v) for k, _, v in parts if k.lower() == key and v), "") for key in ("name", "hardware", "serialnumber")}
        return {"endpoint": text(element, "EndpointReference", "Address"), "types": [t.split(":")[-1] for t in text(element, "Types").split()],
                "scopes": scopes, "service_addresses": text(element, "XAddrs").split(),
                "metadata_version": int(text(element, "MetadataVersion") or 0), "name": first["name"], "hardware": first["hardware"],
                "location": ", ".join(urllib.parse.unquote(v) for k, _, v in parts if k == "location"), "serial": first["serialnumber"],
                "hardware_address": ""}
    header, body = inside(envelope, "Header"), inside(envelope, "Body")[0]
    kind, sequence = WS_KINDS[local(body)], inside(header, "AppSequence")
    devices = [body] if kind in ("hello", "bye") else [] if kind in ("probe", "resolve") else list(body)
    return {"said": "ws_discovery", "kind": kind, "message_id": text(header, "MessageID"), "relates_to": text(header, "RelatesTo"),
            "instance": int(sequence.get("InstanceId")) if sequence != () else None, "devices": [device(d) for d in devices]}


def tenths(tree, name):
    return number(tree, name) / 10


def power(tree):
    field, bt = "lldp.ieee.802_3.mdi_", "lldp.ieee.802_3.bt_"
    support, kind = field + "power_support.", number(tree, field + "power_type")
    wire_class = number(tree, field + "power_class")
    out = {"is_source": flag(tree, support + "port_class"), "supported": flag(tree, support + "supported"),
           "enabled": flag(tree, support + "enabled"), "pairs_selectable": flag(tree, support + "pse_pairs"),
           "pairs": number(tree, field + "pse_pair"), "power_class": wire_class - 1 if 1 <= wire_class <= 5 else None, "type": None,
           "type_is_source": False, "source": None, "priority": None, "takes_both_modes": False, "requested_w": None,
           "allocated_w": None, "extended_class": None, "maximum_w": None, "extension": None}
    if kind is None:
        return out
    priority = number(tree, field + "power_priority")  # four bits to tshark 4.0; 802.3bt has the third for PD 4PID
    out |= {"type": 2 if kind < 2 else 1, "type_is_source": kind % 2 == 0, "source": number(tree, field + "power_source"),
            "priority": priority & 3, "takes_both_modes": bool(priority & 4), "requested_w": tenths(tree, field + "pde_requested"),
            "allocated_w": tenths(tree, field + "pse_allocated")}
    if not nodes(tree, bt + "power_status"):
        return out
    requested, allocated = "ds_pd_requested_power_value_mode_", "ds_pse_allocated_power_value_alt_"
    return out | {"extended_class": number(tree, bt + "pwr_class_ext_"), "maximum_w": tenths(tree, bt + "pse_maximum_available_power_value"),
                  "extension": {
        "requested_a_w": tenths(tree, bt + requested + "a"), "requested_b_w": tenths(tree, bt + requested + "b"),
        "allocated_a_w": tenths(tree, bt + allocated + "a"), "allocated_b_w": tenths(tree, bt + allocated + "b"),
        "powering": number(tree, bt + "pse_powering_status"), "powered": number(tree, bt + "pd_powered_status"),
        "pairs": number(tree, bt + "pse_power_pairs_ext"), "class_a": number(tree, bt + "ds_pwr_class_ext_a"),
        "class_b": number(tree, bt + "ds_pwr_class_ext_b"), "type": number(tree, bt + "power_type_ext"),
        "isolated": bool(number(tree, bt + "system_setup") & 1), "autoclass_supported": flag(tree, bt + "pse_autoclass_support"),
        "autoclass_done": flag(tree, bt + "autoclass_completed"), "autoclass_asked": flag(tree, bt + "autoclass_request"),
        "power_down": number(tree, bt + "power_down_request"), "power_down_s": number(tree, bt + "power_down_time")}}


def lldp(tree, _):
    def any_of(*names):
        return next((text for text in (show(tree, name) for name in names) if text is not None), None)

    def text(name):
        found = nodes(tree, name)
        return text_of(octets(found[0])) if found else ""
    def an_id(name):
        return id_of(b"".join(octets(node) for node in nodes(tree, name)[:1]))
    chassis, port = nodes(tree, "lldp.chassis.subtype"), nodes(tree, "lldp.port.subtype")
    if len(chassis) != 1 or len(port) != 1 or len(nodes(tree, "lldp.time_to_live")) != 1:  # IEEE 802.1AB §9.2.7.7
        return None
    tlvs = [field for field in tree.findall("field")]
    management = [{"address": show(t, "lldp.mgn.addr.ip4") or show(t, "lldp.mgn.addr.ip6"), "numbering": number(t, "lldp.mgn.interface.subtype"),
                   "interface": number(t, "lldp.mgn.interface.number")} for t in tlvs if nodes(t, "lldp.mgn.address.len")]
    negotiation, aggregation = "lldp.ieee.802_3.mac_phy_auto_neg_status", "lldp.ieee.802_3.aggregation_status"
    port_vlan = number(tree, "lldp.ieee.802_1.port_vlan.id")
    powers = [t for t in tlvs if nodes(t, "lldp.ieee.802_3.mdi_power_support")]
    out = {"said": "lldp", "chassis_subtype": number(tree, "lldp.chassis.subtype"), "port_subtype": number(tree, "lldp.port.subtype"),
           "chassis_id": any_of("lldp.chassis.id.mac", "lldp.chassis.id.ip4", "lldp.chassis.id.ip6") or an_id("lldp.chassis.id"),
           "port_id": any_of("lldp.port.id.mac", "lldp.port.id.ip4", "lldp.port.id.ip6") or an_id("lldp.port.id"),
           "time_to_live_s": number(tree, "lldp.time_to_live"), "port_description": text("lldp.port.desc"),
           "system_name": text("lldp.tlv.system.name"), "system_description": text("lldp.tlv.system.desc"),
           "capabilities": number(tree, "lldp.tlv.system_cap"), "enabled_capabilities": number(tree, "lldp.tlv.enable_system_cap"),
           "management": management, "mac_phy": None, "power": power(powers[-1]) if powers else None, "aggregation": None,
           "maximum_frame_octets": number(tree, "lldp.ieee.802_3.max_frame_size"), "port_vlan": port_vlan or None,
           "vlan_names": [{"id": number(t, "lldp.ieee.802_1.vlan.id"), "name": show(t, "lldp.ieee.802_1.vlan.name")}
                          for t in tlvs if nodes(t, "lldp.ieee.802_1.vlan.name_len")],
           "inventory": [text("lldp.media." + n) for n in ("hardware", "firmware", "software", "sn", "manufacturer", "model", "asset")],
           "med_power": None}
    if nodes(tree, negotiation):
        out["mac_phy"] = {"negotiation_supported": flag(tree, negotiation + ".supported"), "negotiation_enabled": flag(tree, negotiation + ".enabled"),
                          "advertised": number(tree, "lldp.ieee.802_3.pmd_auto_neg_advertised_caps"), "mau_type": number(tree, "lldp.ieee.802_3.pmd_mau_type")}
    if nodes(tree, aggregation):
        out["aggregation"] = {"capable": flag(tree, aggregation + ".cap"), "aggregated": flag(tree, aggregation + ".enabled"),
                              "port": number(tree, "lldp.ieee.802_3.aggregated_port_id")}
    if nodes(tree, "lldp.media.power.value"):
        med = "lldp.media.power."
        out["med_power"] = {"is_source": number(tree, med + "type") % 2 == 0, "source": number(tree, med + "source"),
                            "priority": number(tree, med + "prio"), "power_w": tenths(tree, med + "value")}
    return out
