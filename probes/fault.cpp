#include "probes/fault.hpp"

namespace tallywire {

std::string Fault::sentence() const {
  std::string text = what;
  if (!where.empty()) text += " (" + where + ")";
  if (!try_next.empty()) text += "; try: " + try_next;
  return text;
}

const char* name_of(FaultKind kind) {
  switch (kind) {
    case FaultKind::unreachable: return "unreachable";
    case FaultKind::timed_out: return "timed_out";
    case FaultKind::refused: return "refused";
    case FaultKind::malformed: return "malformed";
    case FaultKind::unsupported: return "unsupported";
    case FaultKind::bad_request: return "bad_request";
    case FaultKind::system: return "system";
    case FaultKind::cancelled: return "cancelled";
  }
  return "system";
}

void throw_exception_from_error(const Fault& fault, const boost::source_location&) {
  throw FaultError(fault);
}

}  // namespace tallywire
