// A reading as JSON text, the same as to_json() of probes/reading.hpp makes, without a tree.
#pragma once

#include "probes/json_text.hpp"
#include "probes/reading.hpp"

namespace tallywire::record {

// The value of a reading: a number, a word, or null.
inline void write_value(JsonText& out, const Reading& r) {
  if (const auto word = r.word()) out.value(*word);
  else out.value(r.number());
}

// Its fields, into an object that is open.
inline void write_fields(JsonText& out, const Reading& r) {
  out.field("subject", r.subject);
  out.field("quantity", r.quantity);
  out.key("value");
  write_value(out, r);
  out.field("uncertainty", r.uncertainty);
  out.field("when", to_rfc3339(r.when));
  out.field("over_s", std::chrono::duration<double>(r.over).count());
  out.field("method", r.method);
  out.key("unread");
  if (r.is_read()) out.null();
  else out.value(r.unread);
}

}  // namespace tallywire::record
