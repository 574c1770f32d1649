tallywire_tests(wire_soap SOURCES onvif_test.cpp onvif_media_test.cpp LINKS tallywire_wire_soap)
