// Loss, doubles and order each way, which only a reflector that counts its answers lets one tell. Pure; a part of delay.
#pragma once

#include "probes/path/delay.hpp"

#include <initializer_list>
#include <string>

namespace tallywire::path {

// Into `to`, `from`, `stateful` and `undecided_lost_packets`.
void put_ways(const DelayInput& input, DelayReport& report);
void leave_unread(DelayWay& way, std::initializer_list<const char*> fields, const std::string& why);

}  // namespace tallywire::path
