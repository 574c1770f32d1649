tallywire_room(wire_frames
  SOURCES mac_address.cpp ethernet.cpp arp.cpp lldp.cpp
  LINKS tallywire_wire_text tallywire_probe_base)
