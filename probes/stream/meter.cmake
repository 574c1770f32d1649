tallywire_room(stream_meter
  SOURCES meter.cpp meter_report.cpp rate_windows.cpp sequence_log.cpp report.cpp
  LINKS tallywire_wire_media tallywire_probe_base nlohmann_json::nlohmann_json)
