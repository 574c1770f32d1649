// What went wrong, told to a person on a ladder. Used by every room; includes nothing of ours.
#pragma once

#include <boost/system/result.hpp>

#include <stdexcept>
#include <string>

namespace tallywire {

enum class FaultKind {
  unreachable,   // nobody answered, or the network refused
  timed_out,     // accepted and then silent, or too slow for its limit
  refused,       // login refused, or the peer said no
  malformed,     // the peer spoke, but not the protocol
  unsupported,   // a table, codec or feature that is not there
  bad_request,   // what we were asked for is wrong: exit code 2
  system,        // this machine: permissions, a full disk, a missing device
  cancelled,     // the user or the service stopped the work
};

struct Fault {
  FaultKind kind = FaultKind::system;
  std::string what;      // what happened, one sentence without a full stop
  std::string where;     // address, path, port or pointer it happened at
  std::string try_next;  // what to try; may be empty

  // "what (where); try: try_next"
  std::string sentence() const;
};

// snake_case name of a kind, as it stands in JSON.
const char* name_of(FaultKind kind);

// Expected failures are values. Exceptions are for start-up and for bugs.
template <class T>
using Outcome = boost::system::result<T, Fault>;

struct FaultError : std::runtime_error {
  explicit FaultError(Fault f) : std::runtime_error(f.sentence()), fault(std::move(f)) {}
  Fault fault;
};

// Found by boost::system::result when value() is asked of a failure.
[[noreturn]] void throw_exception_from_error(const Fault& fault, const boost::source_location& at);

}  // namespace tallywire
