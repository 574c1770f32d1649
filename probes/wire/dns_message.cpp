#include "probes/wire/dns_message.hpp"

#include "probes/wire/printable.hpp"

#include <algorithm>

namespace tallywire::wire {
namespace {

constexpr std::size_t most_records = 512, most_questions = 512;
constexpr std::size_t longest_name = 255, longest_label = 63;  // RFC 1035 §2.3.4
constexpr std::uint16_t class_internet = 1, class_top_bit = 0x8000;
constexpr std::uint16_t type_opt = 41;                         // RFC 6891: its class and TTL mean something else

// A message is read in two ways: on and on, and back to where a name's pointer shows.
struct Reader {
  Octets message;
  std::size_t at = 0;
  bool ok = true;

  std::size_t left() const { return ok ? message.size() - at : 0; }
  Octets take(std::size_t count) {
    if (count > left()) {
      ok = false;
      return {};
    }
    at += count;
    return message.subspan(at - count, count);
  }
  std::uint32_t number(std::size_t octets) {
    std::uint32_t value = 0;
    for (const auto octet : take(octets)) value = value << 8 | octet;
    return value;
  }
  std::uint16_t u16() { return static_cast<std::uint16_t>(number(2)); }
};

void append_label(std::string& name, Octets label) {
  if (!name.empty()) name += '.';
  for (const char c : printable(label)) {
    if (c == '.' || c == '\\') name += '\\';
    name += c;
  }
}

// Each pointer shows to before the labels that it ends (RFC 1035 §4.1.4: "a prior occurrence"), so that they come to an end.
std::string read_name(Reader& in) {
  std::string out;
  std::size_t octets = 1, begin = in.at, after = 0;
  for (;;) {
    const auto length = in.number(1);
    if (!in.ok) return {};
    if (length >= 0xc0) {
      const std::size_t there = (length & 0x3f) << 8 | in.number(1);
      if (after == 0) after = in.at;
      in.ok = in.ok && there < begin;
      in.at = begin = there;
    } else if (length == 0) {
      break;
    } else {
      octets += length + 1;
      if (length > longest_label || octets > longest_name) in.ok = false;
      append_label(out, in.take(length));
    }
    if (!in.ok) return {};
  }
  if (after != 0) in.at = after;
  return out.empty() ? "." : out;
}

// Texts with a length octet each. Empty ones say nothing (RFC 6763 §6.1).
bool read_texts(Octets data, std::vector<std::string>& out) {
  OctetReader in(data);
  while (in.left() > 0) {
    const auto text = in.take(in.u8());
    if (in.ok() && !text.empty()) out.push_back(printable(text));
  }
  return in.ok();
}

bool read_address(Octets data, DnsRecord& out) {
  if (data.size() != (out.type == dns_a ? 4u : 16u)) return false;
  out.address.emplace();
  out.address->ipv6 = out.type == dns_aaaa;
  std::copy(data.begin(), data.end(), out.address->octets.begin());
  return true;
}

// The data of a record, which ends where `in` does. Names in it may point back into the whole message.
bool read_data(Reader in, DnsRecord& out) {
  const auto data = in.message.subspan(in.at);
  switch (out.type) {
    case dns_a:
    case dns_aaaa: return read_address(data, out);
    case dns_txt:
    case dns_hinfo: return read_texts(data, out.texts);
    case dns_srv:
      in.number(4);  // priority and weight
      out.port = in.u16();
      break;
    case dns_ptr: break;
    default: return true;
  }
  if (in.ok) out.target = read_name(in);
  return in.ok && in.left() == 0;
}

bool read_record(Reader& in, DnsRecord& out) {
  out.name = read_name(in);
  out.type = in.u16();
  const auto its_class = in.u16();
  out.ttl_s = in.number(4);
  const auto length = in.u16();
  const auto data = in.at;
  in.take(length);
  if (!in.ok) return false;
  if (out.type == type_opt) {
    out.ttl_s = 0;
    return true;
  }
  out.flushes_cache = its_class & class_top_bit;
  if ((its_class & ~class_top_bit) != class_internet) return true;
  return read_data({in.message.first(data + length), data, true}, out);
}

bool read_records(Reader& in, unsigned count, std::size_t& room, std::vector<DnsRecord>& out) {
  for (; count > 0 && room > 0; --count, --room)
    if (!read_record(in, out.emplace_back())) return false;
  return true;
}

bool read_questions(Reader& in, unsigned count, std::vector<DnsQuestion>& out) {
  for (; count > 0; --count) {
    DnsQuestion question;
    question.name = read_name(in);
    question.type = in.u16();
    question.wants_unicast = in.u16() & class_top_bit;
    if (!in.ok) return false;
    if (out.size() < most_questions) out.push_back(std::move(question));
  }
  return true;
}

// The labels of a name as it is written here; none when it is no name.
std::optional<std::vector<std::uint8_t>> encoded_name(const std::string& name) {
  std::vector<std::uint8_t> out;
  std::string label;
  for (std::size_t i = 0; i <= name.size(); ++i) {
    if (i < name.size() && name[i] != '.') {
      if (name[i] == '\\' && ++i == name.size()) return std::nullopt;
      label += name[i];
      continue;
    }
    if (label.empty() || label.size() > longest_label) return std::nullopt;
    out.push_back(static_cast<std::uint8_t>(label.size()));
    out.insert(out.end(), label.begin(), label.end());
    label.clear();
  }
  out.push_back(0);
  return out.size() <= longest_name ? std::optional(out) : std::nullopt;
}

}  // namespace

std::optional<DnsMessage> decode_dns(Octets payload) {
  constexpr std::uint16_t opcode_bits = 0x7800, code_bits = 0x000f;
  Reader in{payload};
  DnsMessage out;
  out.id = in.u16();
  const auto flags = in.u16();
  const auto questions = in.u16(), answers = in.u16(), authorities = in.u16(), additionals = in.u16();
  // RFC 6762 §18.3 and §18.11: others are to be ignored.
  if (!in.ok || (flags & (opcode_bits | code_bits)) != 0) return std::nullopt;
  out.is_response = flags >> 15;
  if (!read_questions(in, questions, out.questions)) return std::nullopt;
  std::size_t room = most_records;
  if (!read_records(in, answers, room, out.answers) || !read_records(in, authorities, room, out.authorities) ||
      !read_records(in, additionals, room, out.additionals))
    return std::nullopt;
  return out;
}

std::vector<std::uint8_t> encode_dns_question(const std::vector<std::string>& names) {
  std::vector<std::uint8_t> body;
  std::uint16_t count = 0;
  for (const auto& name : names) {
    const auto labels = encoded_name(name);
    if (!labels) continue;
    ++count;
    body.insert(body.end(), labels->begin(), labels->end());
    put_u16(body, dns_ptr);
    put_u16(body, class_internet);
  }
  std::vector<std::uint8_t> out;
  for (const std::uint16_t field : {std::uint16_t{0}, std::uint16_t{0}, count, std::uint16_t{0}, std::uint16_t{0}, std::uint16_t{0}})
    put_u16(out, field);
  out.insert(out.end(), body.begin(), body.end());
  return out;
}

}  // namespace tallywire::wire
