tallywire_room(wire_rtsp
  SOURCES base64.cpp digest.cpp url.cpp rtsp_transport.cpp rtsp_message.cpp
    sdp.cpp rtsp_login.cpp rtsp_tracks.cpp rtsp_exchange.cpp
  LINKS tallywire_probe_base OpenSSL::Crypto)
