tallywire_tests(stream_meter
  SOURCES meter_test.cpp sequence_log_test.cpp rate_windows_test.cpp
  LINKS tallywire_stream_meter)
