tallywire_room(wire_frames
  SOURCES mac_address.cpp ethernet.cpp arp.cpp lldp.cpp
  LINKS tallywire_probe_base)
