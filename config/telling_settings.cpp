// "telling" of the settings: who is told of the nights, and by which ways.
#include "config/settings.hpp"

#include <cctype>

namespace tallywire::config {
namespace {

constexpr std::size_t most_receivers = 50;

bool is_clean(const std::string& text) {
  for (const unsigned char c : text)
    if (c < 0x20 || c == 0x7f) return false;
  return true;
}

// A mailbox goes into a header and into a command of SMTP: nothing may end the line there (RFC 5321 §4.1.2, ASCII only).
void need_mailbox(ReadingFile& file, const std::string& pointer, const std::string& mailbox) {
  const auto at = mailbox.find('@');
  bool good = at != std::string::npos && at > 0 && at + 1 < mailbox.size() && mailbox.size() <= 254;
  for (const unsigned char c : mailbox) good = good && c > 0x20 && c < 0x7f && c != '<' && c != '>' && c != ',' && c != ';' && c != '"';
  if (!good && !mailbox.empty()) file.fault(pointer, "this is no address for mail", "name@host, such as nights@depot.example");
}

void need_host(ReadingFile& file, const std::string& pointer, const std::string& host) {
  bool good = host.size() <= 253;
  for (const unsigned char c : host) good = good && (std::isalnum(c) || c == '.' || c == '-' || c == ':');
  if (!good) file.fault(pointer, "this is no name of a host and no address", "such as mail.depot.example or 192.0.2.25");
}

WebhookSettings read_webhook(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  WebhookSettings out;
  out.url = in.word("url");
  const bool web = out.url.starts_with("http://") || out.url.starts_with("https://");
  if (!out.url.empty() && (!web || !is_clean(out.url)))
    file.fault(in.at("url"), "this is no URL of http or https", "such as https://desk.example/nights");
  else if (out.url.substr(0, out.url.find('/', 8)).find('@') != std::string::npos)
    file.fault(in.at("url"), "a URL may hold no login", "let the receiver check the signature instead");
  out.secret = in.word("secret");
  out.ca_file = in.word("ca_file", false);
  return out;
}

EmailSettings read_email(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  EmailSettings out;
  out.host = in.word("host");
  need_host(file, in.at("host"), out.host);
  out.implicit_tls = in.choice("tls", {"starttls", "implicit"}, 0) == 1;
  out.tcp_port = static_cast<std::uint16_t>(in.whole("tcp_port", 1, 65535, out.implicit_tls ? 465 : 587));
  out.from = in.word("from");
  need_mailbox(file, in.at("from"), out.from);
  const auto faults_before = file.faults.size();
  out.to = in.words("to");
  if (out.to.empty() && file.faults.size() == faults_before) file.fault(in.at("to"), "nobody is to get the mail", "name one address at least");
  if (out.to.size() > most_receivers) file.fault(in.at("to"), "more than 50 receivers", "use a list of your mail server");
  for (std::size_t i = 0; i < out.to.size(); ++i) need_mailbox(file, in.at("to") + "/" + std::to_string(i), out.to[i]);
  out.login_secret = in.word("login_secret", false);
  out.ca_file = in.word("ca_file", false);
  return out;
}

SyslogSettings read_syslog(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  SyslogSettings out;
  out.socket = in.word("socket", false);
  out.host = in.word("host", false);
  need_host(file, in.at("host"), out.host);
  if (out.socket.empty() == out.host.empty())
    file.fault(pointer, "syslog needs “host” of a collector, or “socket”", "name one of them; the system's own is /dev/log");
  const auto transport = in.choice("transport", {"udp", "tcp", "tls"}, 0);
  out.transport = static_cast<SyslogTransport>(transport);
  // RFC 5426: 514 for UDP; RFC 5425: 6514 for TLS; TCP in the open has none of its own (RFC 6587).
  out.port = static_cast<std::uint16_t>(in.whole("port", 1, 65535, transport == 2 ? 6514 : 514));
  out.ca_file = in.word("ca_file", false);
  return out;
}

}  // namespace

TellingSettings read_telling(ReadingFile& file, const std::string& pointer) {
  ObjectReader in(file, pointer);
  TellingSettings out;
  in.object("webhook", [&](const std::string& at) { out.webhook = read_webhook(file, at); });
  in.object("email", [&](const std::string& at) { out.email = read_email(file, at); });
  in.object("syslog", [&](const std::string& at) { out.syslog = read_syslog(file, at); });
  out.journal = in.truth("journal", false);
  out.first_retry_s = in.number("first_retry_s", 0.1, 3600, out.first_retry_s);
  out.give_up_after_h = in.number("give_up_after_h", 0.001, 2400, out.give_up_after_h);
  if (!out.webhook && !out.email && !out.syslog && !out.journal)
    file.fault(pointer, "“telling” names no way", "webhook, email, syslog or journal; or leave it out");
  return out;
}

}  // namespace tallywire::config
