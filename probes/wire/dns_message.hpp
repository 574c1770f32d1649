// DNS messages as multicast DNS and DNS-SD use them (RFC 1035 §4, RFC 6762, RFC 6763).
#pragma once

#include "probes/wire/datagram.hpp"
#include "probes/wire/octets.hpp"

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::wire {

inline constexpr std::uint16_t mdns_port = 5353;
enum : std::uint16_t { dns_a = 1, dns_ptr = 12, dns_hinfo = 13, dns_txt = 16, dns_aaaa = 28, dns_srv = 33, dns_any = 255 };

struct DnsQuestion {
  std::string name;                          // "_rtsp._tcp.local", printable; a dot or backslash within a label as "\." and "\\"
  std::uint16_t type = 0;
  bool wants_unicast = false;                // the top bit of the class (RFC 6762 §5.4)
  bool operator==(const DnsQuestion&) const = default;
};

struct DnsRecord {
  std::string name;
  std::uint16_t type = 0;
  bool flushes_cache = false;                // the top bit of the class: the sender owns the name alone (RFC 6762 §10.2)
  std::uint32_t ttl_s = 0;                   // 0: goodbye
  std::string target;                        // of PTR and SRV
  std::uint16_t port = 0;                    // of SRV
  std::vector<std::string> texts;            // of TXT: "key=value", printable, without empty ones; of HINFO: CPU and OS
  std::optional<IpAddress> address;          // of A and AAAA
  bool operator==(const DnsRecord&) const = default;
};

struct DnsMessage {
  std::uint16_t id = 0;
  bool is_response = false;
  std::vector<DnsQuestion> questions;
  std::vector<DnsRecord> answers, authorities, additionals;  // authorities of a question: a probe for names (RFC 6762 §8.1)
  bool operator==(const DnsMessage&) const = default;
};

// The payload of a UDP datagram. None when a length or a name's pointer does not fit (pointers must go back), when it is no
// standard query, or its response code is an error. Records of other types and classes stand in the list without data.
// At most 512 questions and 512 records are taken. The root's name is ".".
std::optional<DnsMessage> decode_dns(Octets payload);

// A multicast question: each name asked with PTR, id 0, multicast answers wanted. What is no name (an empty label, one of
// more than 63 octets, more than 255 in all) is left out.
std::vector<std::uint8_t> encode_dns_question(const std::vector<std::string>& names);

}  // namespace tallywire::wire
