tallywire_tests(wire_frames
  SOURCES frames_test.cpp lldp_test.cpp dhcp_test.cpp icmpv6_test.cpp dns_message_test.cpp
  LINKS tallywire_wire_frames)
