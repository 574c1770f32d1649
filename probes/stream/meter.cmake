tallywire_room(stream_meter
  SOURCES meter.cpp meter_report.cpp meter_findings.cpp meter_track.cpp meter_settings.cpp frame_log.cpp clock_envelope.cpp
          picture_watch.cpp sender_watch.cpp rate_windows.cpp sequence_log.cpp report.cpp report_json.cpp
  LINKS tallywire_wire_media tallywire_wire_rtsp tallywire_probe_base nlohmann_json::nlohmann_json)
