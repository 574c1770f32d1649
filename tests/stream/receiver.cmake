tallywire_tests(stream_receiver
  SOURCES receiver_test.cpp scripted_unit.cpp
  LINKS tallywire_stream_receiver)
