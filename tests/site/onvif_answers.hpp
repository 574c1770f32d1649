// What the simulated unit answers to ONVIF's questions. Without I/O.
#pragma once

#include "tests/site/camera.hpp"

#include <string>

namespace tallywire::site {

// The SOAP answer to a SOAP question. Clock, services and capabilities are told to everybody, the rest to who has the
// login (ONVIF Core, access classes).
std::string answer_onvif(const Camera& camera, const std::string& request);

}  // namespace tallywire::site
