tallywire_tests(path_delay SOURCES delay_order_test.cpp delay_test.cpp delay_ways_test.cpp delay_json_test.cpp
  LINKS tallywire_path_delay nlohmann_json::nlohmann_json)
