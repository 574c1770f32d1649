// Catch2's own main, compiled once: it takes half a minute.
#define CATCH_CONFIG_MAIN
#include <catch2/catch.hpp>
