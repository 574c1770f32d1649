tallywire_room(wire_media
  SOURCES bits.cpp rtp.cpp rtcp.cpp h264.cpp h265.cpp jpeg.cpp aac.cpp
  LINKS tallywire_probe_base)
