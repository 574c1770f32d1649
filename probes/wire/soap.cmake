tallywire_room(wire_soap
  SOURCES soap_xml.cpp onvif.cpp onvif_media.cpp ws_discovery.cpp
  LINKS tallywire_wire_frames tallywire_wire_rtsp tallywire_wire_text tallywire_probe_base pugixml::pugixml OpenSSL::Crypto)
