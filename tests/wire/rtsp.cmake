tallywire_tests(wire_rtsp
  SOURCES digest_test.cpp rtsp_message_test.cpp rtsp_input_test.cpp sdp_test.cpp rtsp_exchange_test.cpp
    rtsp_login_test.cpp rtsp_turns_test.cpp rtsp_tracks_test.cpp rtsp_transport_test.cpp url_test.cpp
  LINKS tallywire_wire_rtsp)
