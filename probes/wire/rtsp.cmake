tallywire_room(wire_rtsp
  SOURCES base64.cpp digest.cpp url.cpp rtsp_transport.cpp rtsp_message.cpp rtsp_input.cpp
    sdp.cpp rtsp_login.cpp rtsp_tracks.cpp rtsp_grant.cpp
    rtsp_peer.cpp rtsp_exchange.cpp rtsp_answers.cpp
  LINKS tallywire_probe_base OpenSSL::Crypto)
