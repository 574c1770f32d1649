tallywire_room(stream_receiver
  SOURCES receiver.cpp rtsp_session.cpp media_sockets.cpp
  LINKS tallywire_stream_meter tallywire_wire_rtsp tallywire_probe_base)
