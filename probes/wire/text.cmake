tallywire_room(wire_text
  SOURCES printable.cpp
  LINKS tallywire_probe_base)
