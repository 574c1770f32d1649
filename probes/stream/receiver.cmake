tallywire_room(stream_receiver
  SOURCES receiver.cpp reception.cpp reception_session.cpp reception_report.cpp rtsp_session.cpp connection.cpp tls_channel.cpp tcp_counters.cpp media_sockets.cpp beat.cpp
  LINKS tallywire_stream_meter tallywire_wire_rtsp tallywire_certificate tallywire_probe_base OpenSSL::SSL)
