tallywire_tests(stream_meter
  SOURCES meter_test.cpp meter_stretches_test.cpp meter_formats_test.cpp meter_hostile_test.cpp
          frame_log_test.cpp clock_envelope_test.cpp sender_watch_test.cpp
          sequence_log_test.cpp rate_windows_test.cpp report_json_test.cpp
  LINKS tallywire_stream_meter)
