tallywire_room(wire_capture
  SOURCES datagram.cpp ip_fragments.cpp tcp_reassembly.cpp capture_format.cpp capture_blocks.cpp
  LINKS tallywire_probe_base)
