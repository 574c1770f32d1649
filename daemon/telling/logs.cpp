// Syslog and the journal. Syslog has no answer: told means handed over to the system, or to the connection.
#include "daemon/telling/curl_call.hpp"
#include "daemon/telling/texts.hpp"

#include <netdb.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <systemd/sd-journal.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <thread>

namespace tallywire::telling {
namespace {

constexpr std::size_t most_datagram_octets = 2048;  // RFC 5424 §6.1: what a receiver should take; RFC 5426 §3.2

struct Descriptor {
  int number = -1;
  ~Descriptor() {
    if (number >= 0) ::close(number);
  }
};

std::string own_host() {
  std::array<char, 256> name{};
  return ::gethostname(name.data(), name.size() - 1) == 0 ? name.data() : "";
}

// Whole characters of UTF-8 only.
std::string cut(std::string text) {
  if (text.size() <= most_datagram_octets) return text;
  std::size_t end = most_datagram_octets;
  while (end > 0 && (static_cast<unsigned char>(text[end]) & 0xc0) == 0x80) --end;
  text.resize(end);
  return text;
}

class Syslog : public Way {
 public:
  explicit Syslog(config::SyslogSettings settings) : settings_(std::move(settings)) {}
  std::string name() const override { return "syslog"; }
  std::string where() const override {
    static const char* const transports[] = {"udp", "tcp", "tls"};
    if (!settings_.socket.empty()) return settings_.socket;
    return host() + ":" + std::to_string(settings_.port) + "/" + transports[static_cast<int>(settings_.transport)];
  }

  Outcome<void> tell(const nlohmann::json& message, SystemTime now, const std::atomic<bool>& stop) override {
    const auto text = syslog_of(message, own_host(), now);
    if (!settings_.socket.empty()) return by_socket(cut(text));
    if (settings_.transport == config::SyslogTransport::udp) return by_udp(cut(text));
    return by_stream(text, stop);
  }

 private:
  std::string host() const { return settings_.host.find(':') != std::string::npos ? "[" + settings_.host + "]" : settings_.host; }
  Fault fault(const std::string& why) const { return {FaultKind::unreachable, why, where(), "check “syslog” under “telling” in the settings"}; }

  Outcome<void> by_socket(const std::string& text) const {
    sockaddr_un to{};
    to.sun_family = AF_UNIX;
    if (settings_.socket.size() >= sizeof to.sun_path) return fault("the path of the socket is too long");
    std::memcpy(to.sun_path, settings_.socket.c_str(), settings_.socket.size());
    const Descriptor out{::socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0)};
    if (::sendto(out.number, text.data(), text.size(), MSG_NOSIGNAL, reinterpret_cast<const sockaddr*>(&to), sizeof to) < 0) return fault(std::strerror(errno));
    return {};
  }

  Outcome<void> by_udp(const std::string& text) const {
    addrinfo wanted{}, *found = nullptr;
    wanted.ai_socktype = SOCK_DGRAM;
    if (const int code = ::getaddrinfo(settings_.host.c_str(), std::to_string(settings_.port).c_str(), &wanted, &found); code != 0) return fault(::gai_strerror(code));
    const std::unique_ptr<addrinfo, decltype(&::freeaddrinfo)> all(found, &::freeaddrinfo);
    const Descriptor out{::socket(found->ai_family, SOCK_DGRAM | SOCK_CLOEXEC, 0)};
    if (::connect(out.number, found->ai_addr, found->ai_addrlen) < 0 || ::send(out.number, text.data(), text.size(), MSG_NOSIGNAL) < 0) return fault(std::strerror(errno));
    // A host that listens to nothing there says so by ICMP: then the next call on the socket fails.
    std::this_thread::sleep_for(std::chrono::milliseconds(200));
    int refused = 0;
    socklen_t size = sizeof refused;
    if (::getsockopt(out.number, SOL_SOCKET, SO_ERROR, &refused, &size) == 0 && refused != 0) return fault(std::strerror(refused));
    return {};
  }

  // Octet counting (RFC 6587 §3.4.1, RFC 5425 §4.3). libcurl connects, in TLS with the certificate checked, and hands over the
  // connection.
  Outcome<void> by_stream(const std::string& text, const std::atomic<bool>& stop) const {
    const bool tls = settings_.transport == config::SyslogTransport::tls;
    CurlCall call((tls ? "https://" : "http://") + host() + ":" + std::to_string(settings_.port), settings_.ca_file, stop);
    curl_easy_setopt(call.handle(), CURLOPT_CONNECT_ONLY, 1L);
    curl_easy_setopt(call.handle(), CURLOPT_SSL_ENABLE_ALPN, 0L);
    if (auto done = call.perform(where()); !done) return done.error();
    const auto frame = std::to_string(text.size()) + " " + text;
    const auto until = std::chrono::steady_clock::now() + longest_try;
    for (std::size_t sent = 0; sent < frame.size();) {
      std::size_t n = 0;
      const auto code = curl_easy_send(call.handle(), frame.data() + sent, frame.size() - sent, &n);
      sent += n;
      if (code != CURLE_OK && code != CURLE_AGAIN) return fault(curl_easy_strerror(code));
      if (stop.load() || std::chrono::steady_clock::now() > until) return fault("the collector takes nothing");
      if (code == CURLE_AGAIN) std::this_thread::sleep_for(std::chrono::milliseconds(50));
    }
    // A collector that shuts the door at once has taken nothing.
    std::this_thread::sleep_for(std::chrono::milliseconds(200));
    char octet = 0;
    std::size_t n = 0;
    const auto code = curl_easy_recv(call.handle(), &octet, 1, &n);
    if (code != CURLE_AGAIN && (code != CURLE_OK || n == 0)) return fault("the collector closed the connection");
    return {};
  }

  config::SyslogSettings settings_;
};

class Journal : public Way {
 public:
  std::string name() const override { return "journal"; }
  std::string where() const override { return "this machine's journal"; }

  Outcome<void> tell(const nlohmann::json& message, SystemTime, const std::atomic<bool>&) override {
    // sd_journal_send says nothing when there is no journal.
    struct stat there{};
    if (::stat("/run/systemd/journal/socket", &there) != 0) return Fault{FaultKind::system, "this machine keeps no journal", "/run/systemd/journal/socket", "use another way"};
    const auto field = [](const char* name, const std::string& value) { return std::string(name) + "=" + value; };
    const bool ran = message.at("state") == "complete";
    const std::array<std::string, 9> fields = {
        field("MESSAGE", message.at("subject")), field("PRIORITY", ran ? "5" : "4"), field("SYSLOG_IDENTIFIER", "tallywired"),
        field("TALLYWIRE_KEY", message.at("key")), field("TALLYWIRE_SITE", message.at("site")), field("TALLYWIRE_NIGHT", message.at("night")),
        field("TALLYWIRE_SEQUENCE", message.at("sequence").dump()), field("TALLYWIRE_OPEN", message.at("open").dump()), field("TALLYWIRE_TEXT", message.at("text"))};
    std::array<iovec, fields.size()> parts{};
    for (std::size_t i = 0; i < fields.size(); ++i) parts[i] = {const_cast<char*>(fields[i].data()), fields[i].size()};
    const int code = sd_journal_sendv(parts.data(), static_cast<int>(parts.size()));
    if (code < 0) return Fault{FaultKind::system, std::string("the journal took nothing: ") + std::strerror(-code), "/run/systemd/journal/socket", ""};
    return {};
  }
};

}  // namespace

std::unique_ptr<Way> syslog_way(config::SyslogSettings settings) { return std::make_unique<Syslog>(std::move(settings)); }
std::unique_ptr<Way> journal_way() { return std::make_unique<Journal>(); }

std::vector<std::unique_ptr<Way>> ways_of(const config::TellingSettings& settings, const config::Secrets& secrets) {
  const auto missing = [](const std::string& name) {
    return FaultError({FaultKind::bad_request, "there is no secret “" + name + "” of the kind that “telling” needs", "the secrets file", "add it, see docs/telling.md"});
  };
  std::vector<std::unique_ptr<Way>> out;
  if (settings.webhook) {
    const auto key = secrets.key(settings.webhook->secret);
    if (!key) throw missing(settings.webhook->secret);
    out.push_back(webhook_way(*settings.webhook, *key));
  }
  if (settings.email) {
    std::optional<config::LoginSecret> login;
    if (!settings.email->login_secret.empty()) {
      login = secrets.login(settings.email->login_secret);
      if (!login) throw missing(settings.email->login_secret);
    }
    out.push_back(email_way(*settings.email, std::move(login)));
  }
  if (settings.syslog) out.push_back(syslog_way(*settings.syslog));
  if (settings.journal) out.push_back(journal_way());
  return out;
}

}  // namespace tallywire::telling
