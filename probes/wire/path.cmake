tallywire_room(wire_path
  SOURCES far_end_handshake.cpp stamp.cpp stamp_session.cpp
  LINKS tallywire_probe_base OpenSSL::Crypto nlohmann_json::nlohmann_json)
