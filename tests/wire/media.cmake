tallywire_tests(wire_media
  SOURCES rtp_test.cpp rtcp_test.cpp parameter_sets_test.cpp payloads_test.cpp aac_test.cpp
  LINKS tallywire_wire_media)
