// RtspExchange, resumed with whatever a unit may say (RFC 2326, RFC 7826). The input is two octets of choices and then
// the unit's octets; "CSeq: *" becomes the number of the last request, so that a mutation is still an answer. Two words
// stand for the driver's own deeds: a request KEEP for keep_alive(), END for teardown().
#include "probes/wire/rtsp_exchange.hpp"
#include "probes/wire/url.hpp"
#include "tests/fuzz/fuzz.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

// With a character that no text of the unit keeps: what is echoed of the input cannot be taken for it.
constexpr const char* password = "four\x01rails";
constexpr const char* host = "192.0.2.10";
constexpr std::size_t most_messages = 64;

ExchangeSettings settings_of(fuzz::Cutter& input) {
  const auto choice = input.octet(), more = input.octet();
  ExchangeSettings out;
  out.url = choice & 1 ? "rtsps://192.0.2.10:322/1" : "rtsp://192.0.2.10:554/1";
  out.where = "192.0.2.10:554";
  if (choice & 2) out.login = Credentials{"tram", password};
  out.allow_basic = choice & 4;
  constexpr LowerTransport transports[] = {LowerTransport::tcp, LowerTransport::udp, LowerTransport::multicast};
  out.transport = transports[(choice >> 3) % 3];
  constexpr RtspVersion versions[] = {RtspVersion::automatic, RtspVersion::v1, RtspVersion::v2};
  out.version = versions[more % 3];
  out.every_track = !(more & 0x80);
  out.cnonce = "0a4f113b";
  return out;
}

bool printable(std::string_view text) {
  return std::all_of(text.begin(), text.end(), [](unsigned char c) { return c >= ' ' && c != 0x7f; });
}

// The driver, and the judge of all that the exchange says.
class Driver {
 public:
  Driver(ExchangeSettings settings, std::uint8_t pairs)
      : settings_(settings), exchange_(std::move(settings)), pairs_(pairs) {}

  // False: the conversation is over.
  bool take(ExchangeAction action) {
    using Kind = ExchangeAction::Kind;
    check_result();
    check_octets(action.octets);
    if (action.kind == Kind::playing) require(!exchange_.result().tracks.empty(), "something is played");
    if (action.kind == Kind::open_ports) {
      require(settings_.transport == LowerTransport::udp && action.ports >= 1 && action.ports <= most_tracks,
              "ports are asked for UDP, a pair a track");
      std::vector<PortPair> ports;
      for (std::size_t i = 0; i < action.ports && i < pairs_; ++i)
        ports.push_back({static_cast<int>(40000 + 2 * i), static_cast<int>(40001 + 2 * i)});
      return take(exchange_.give_ports(std::move(ports)));
    }
    if (action.kind == Kind::reconnect) {
      const auto url = decode_url(action.url);
      require(url && url->host == host && !url->has_user, "a redirect stays with the unit");
      require(++reconnects_ <= 8, "redirects come to an end");
      return take(exchange_.begin());
    }
    if (action.kind != Kind::failed) return true;
    require(!action.fault.what.empty() && action.fault.where.rfind("192.0.2.10:", 0) == 0, "a fault says what and where");
    require(action.fault.sentence().find(password) == std::string::npos, "no fault tells the password");
    return false;
  }

  bool begin() { return take(exchange_.begin()); }

  bool hear(RtspMessage message) {
    if (message.method == "KEEP") {
      check_octets(exchange_.keep_alive());
      return true;
    }
    if (message.method == "END") return false;
    for (auto& [name, value] : message.headers)
      if (name == "cseq" && value == "*") value = std::to_string(last_sequence_);
    if (message.status == 401)
      require(++refusals_in_a_row_ <= 16, "logins come to an end");
    else if (message.status >= 200 && message.status < 300)
      refusals_in_a_row_ = 0;
    return take(exchange_.resume(message));
  }

  void end() {
    check_octets(exchange_.teardown());
    require(exchange_.teardown().empty(), "a session is ended once");
    check_result();
  }

 private:
  void check_result() const {
    const auto& result = exchange_.result();
    require(result.tracks.size() <= most_tracks && result.left_out.size() <= 80, "lists have an end");
    require(result.timeout_s > 0 && (result.version == 1 || result.version == 2), "a session has time and version");
    require(result.keep_alive_method == "GET_PARAMETER" || result.keep_alive_method == "SET_PARAMETER" ||
                result.keep_alive_method == "OPTIONS",
            "a session is kept alive by a method that does nothing else");
    require(printable(result.server), "what goes into a record is printable");
    for (const auto& why : result.left_out) require(!why.empty() && printable(why), "a medium left out has its reason");
    for (const auto& track : result.tracks) 
      require(!track.media.send_back || track.media.kind == "video", "no sound is ours to send");
  }

  // What goes to the unit: whole messages of printable lines, with no password in the open.
  void check_octets(const std::string& octets) {
    std::string_view left = octets;
    while (!left.empty()) {
      const auto item = parse_rtsp({reinterpret_cast<const std::uint8_t*>(left.data()), left.size()});
      require(item.what == ParsedRtsp::What::message, "what is sent is whole messages");
      check_message(item.message, left.substr(0, item.consumed));
      left.remove_prefix(item.consumed);
    }
  }

  void check_message(const RtspMessage& message, std::string_view text) {
    for (std::size_t i = 0; i < text.size(); ++i) {
      const auto c = static_cast<unsigned char>(text[i]);
      const bool line_end = (c == '\r' && i + 1 < text.size() && text[i + 1] == '\n') || (c == '\n' && i > 0 && text[i - 1] == '\r');
      require(line_end || (c >= ' ' && c != 0x7f), "nothing of the unit's own breaks a line of ours");
    }
    require(text.find(password) == std::string_view::npos, "the password is not sent in the open");
    const auto login = message.header("authorization");
    if (!login.empty()) {
      require(settings_.login.has_value(), "no login without one");
      require(login.rfind("Basic ", 0) != 0 || settings_.allow_basic || settings_.url.rfind("rtsps:", 0) == 0,
              "Basic only where it is allowed");
    }
    if (message.status != 0) return;  // our answer to a request of the unit
    const auto url = decode_url(message.target);
    require(message.target == "*" || (url && !url->has_user), "every request has an address without a login");
    const int sequence = std::atoi(message.header("cseq").c_str());
    require(sequence > last_sequence_, "every request has a number of its own");
    last_sequence_ = sequence;
  }

  ExchangeSettings settings_;
  RtspExchange exchange_;
  std::size_t pairs_;
  int last_sequence_ = 0;
  int reconnects_ = 0;
  int refusals_in_a_row_ = 0;
};

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  fuzz::Cutter input(data, size);
  auto settings = settings_of(input);
  Driver driver(std::move(settings), static_cast<std::uint8_t>(size % 11));
  bool goes_on = driver.begin();
  auto left = input.rest();
  for (std::size_t i = 0; i < most_messages && goes_on; ++i) {
    const auto item = parse_rtsp(left);
    if (item.what == ParsedRtsp::What::need_more || item.what == ParsedRtsp::What::malformed) break;
    left = left.subspan(item.consumed);
    if (item.what == ParsedRtsp::What::message) goes_on = driver.hear(item.message);
  }
  driver.end();
  return 0;
}
