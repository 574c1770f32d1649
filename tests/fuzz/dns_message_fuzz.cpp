// decode_dns, and its names as questions there and back (RFC 1035 §4, RFC 6762).
#include "probes/wire/dns_message.hpp"
#include "tests/fuzz/texts.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

constexpr std::size_t longest_name = 255;  // octets, RFC 1035 §2.3.4

void check_records(const std::vector<DnsRecord>& records, std::size_t size) {
  for (const auto& record : records) {
    // A label's octet is two when escaped, three when it is no text.
    fuzz::check_text(record.name, longest_name);
    fuzz::check_text(record.target, longest_name);
    require(!record.name.empty(), "the root's name is a dot");
    for (const auto& text : record.texts) {
      require(!text.empty() || size > 0, "no text without its octets");
      fuzz::check_text(text, 255);
    }
    require(record.texts.size() <= size, "no text without its octet");
    if (record.address) require(record.address->ipv6 == (record.type == dns_aaaa), "an address of its type's kind");
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto found = decode_dns({data, size});
  if (!found) return 0;
  const auto records = found->answers.size() + found->authorities.size() + found->additionals.size();
  require(records <= 512 && found->questions.size() <= 512, "no more than the limits");
  require(12 + 5 * found->questions.size() + 11 * records <= size, "no question and no record without its octets");
  std::vector<std::string> names;
  for (const auto& question : found->questions) {
    fuzz::check_text(question.name, longest_name);
    names.push_back(question.name);
  }
  for (const auto* list : {&found->answers, &found->authorities, &found->additionals}) check_records(*list, size);
  const auto back = decode_dns(encode_dns_question(names));
  require(back && !back->is_response && back->questions.size() <= names.size(), "a question can be read");
  auto name = names.begin();
  for (const auto& question : back->questions) {
    while (name != names.end() && *name != question.name) ++name;
    require(name != names.end() && question.type == dns_ptr && !question.wants_unicast, "a name comes back as it went");
    ++name;
  }
  return 0;
}
