tallywire_room(wire_soap
  SOURCES onvif.cpp
  LINKS tallywire_wire_rtsp tallywire_probe_base pugixml::pugixml OpenSSL::Crypto)
