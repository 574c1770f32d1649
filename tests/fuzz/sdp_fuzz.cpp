// decode_sdp and what is taken out of a format's parameters (RFC 8866).
#include "probes/wire/sdp.hpp"
#include "tests/fuzz/fuzz.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

bool one_line(const std::string& text) { return text.find('\n') == std::string::npos; }

void check_format(const SdpFormat& format, std::size_t size) {
  require(format.payload_type >= 0 && format.payload_type <= 127, "a payload type has seven bits (RFC 3550 §5.1)");
  require(format.channels >= 1, "a format has a channel at least");
  require(format.encoding.size() <= size && format.parameters.size() <= size, "no text is longer than the input");
  require(one_line(format.encoding) && one_line(format.parameters), "one line is one line");
  const auto sets = parameter_sets_of(format);
  std::size_t octets = 0;
  for (const auto& nal : sets) {
    require(!nal.empty(), "a parameter set is not empty");
    octets += nal.size();
  }
  require(sets.size() <= 32 && octets <= size, "Base64 makes nothing longer (RFC 4648 §4)");
  fmtp_parameter(format.parameters, "packetization-mode");
}

void check(const SdpSession& session, std::size_t size, const SdpLimits& limits) {
  require(!session.media.empty() && session.media.size() <= limits.media, "between one medium and the limit");
  require(one_line(session.control), "a control URL is one line");
  for (const auto& media : session.media) {
    require(media.port >= 0 && media.port <= 65535, "a port has 16 bits");
    require(media.formats.size() <= 128, "no more formats than there are payload types");
    require(one_line(media.control) && one_line(media.connection), "a value is one line");
    for (const auto& format : media.formats) check_format(format, size);
  }
}

void check_same(const SdpSession& a, const SdpSession& b) {
  require(a.control == b.control && a.connection == b.connection && a.media.size() == b.media.size(), "same session");
  for (std::size_t i = 0; i < a.media.size(); ++i) {
    const auto &x = a.media[i], &y = b.media[i];
    require(x.kind == y.kind && x.port == y.port && x.protocol == y.protocol && x.control == y.control &&
                x.connection == y.connection && x.formats.size() == y.formats.size(),
            "same medium");
    for (std::size_t f = 0; f < x.formats.size(); ++f)
      require(x.formats[f].payload_type == y.formats[f].payload_type &&
                  x.formats[f].encoding == y.formats[f].encoding && x.formats[f].clock_hz == y.formats[f].clock_hz &&
                  x.formats[f].parameters == y.formats[f].parameters,
              "same format");
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text(fuzz::text_of({data, size}));
  const SdpLimits limits;
  const auto session = decode_sdp(text, limits);
  // RFC 8866 §5: lines end with CRLF, and a bare LF is to be taken; so both say the same.
  std::string with_crlf;
  for (const char c : text) {
    if (c == '\n') with_crlf += '\r';
    with_crlf += c;
  }
  if (with_crlf.size() <= limits.octets) {
    const auto other = decode_sdp(with_crlf, limits);
    require(session.has_value() == other.has_value(), "LF and CRLF say the same");
    if (session) check_same(*session, *other);
  }
  if (session) check(*session, size, limits);
  const SdpLimits tight{64, 2};
  const auto held = decode_sdp(text, tight);
  require(!held || (size <= tight.octets && held->media.size() <= tight.media), "the limits hold");
  return 0;
}
