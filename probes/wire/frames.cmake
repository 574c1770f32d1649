tallywire_room(wire_frames
  SOURCES mac_address.cpp ethernet.cpp arp.cpp lldp.cpp lldp_organisations.cpp dhcp.cpp icmpv6.cpp dns_message.cpp
  LINKS tallywire_wire_capture tallywire_wire_text tallywire_probe_base)
