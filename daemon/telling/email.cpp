#include "daemon/telling/curl_call.hpp"
#include "daemon/telling/texts.hpp"

#include <algorithm>
#include <cstring>

namespace tallywire::telling {
namespace {

struct Upload {
  std::string text;
  std::size_t sent = 0;
};

std::size_t hand_over(char* to, std::size_t size, std::size_t count, void* from) {
  auto& upload = *static_cast<Upload*>(from);
  const auto n = std::min(size * count, upload.text.size() - upload.sent);
  std::memcpy(to, upload.text.data() + upload.sent, n);
  upload.sent += n;
  return n;
}

class Email : public Way {
 public:
  Email(config::EmailSettings settings, std::optional<config::LoginSecret> login) : settings_(std::move(settings)), login_(std::move(login)) {}
  std::string name() const override { return "email"; }
  std::string where() const override { return settings_.host + ":" + std::to_string(settings_.tcp_port); }

  Outcome<void> tell(const nlohmann::json& message, SystemTime now, const std::atomic<bool>& stop) override {
    const bool v6 = settings_.host.find(':') != std::string::npos;
    const auto host = v6 ? "[" + settings_.host + "]" : settings_.host;
    const auto own_name = settings_.from.substr(settings_.from.find('@') + 1);
    const auto url = std::string(settings_.implicit_tls ? "smtps://" : "smtp://") + host + ":" + std::to_string(settings_.tcp_port) + "/" + own_name;
    CurlCall call(url, settings_.ca_file, stop);
    Upload upload{mail_of(settings_, message.at("key"), message.at("subject"), message.at("text"), now)};
    curl_easy_setopt(call.handle(), CURLOPT_PROTOCOLS_STR, "smtp,smtps");
    curl_easy_setopt(call.handle(), CURLOPT_USE_SSL, static_cast<long>(CURLUSESSL_ALL));
    if (login_) {
      curl_easy_setopt(call.handle(), CURLOPT_USERNAME, login_->user.c_str());
      curl_easy_setopt(call.handle(), CURLOPT_PASSWORD, login_->password.c_str());
    }
    const auto from = "<" + settings_.from + ">";
    curl_easy_setopt(call.handle(), CURLOPT_MAIL_FROM, from.c_str());
    for (const auto& to : settings_.to) call.add_line("<" + to + ">");
    curl_easy_setopt(call.handle(), CURLOPT_MAIL_RCPT, call.lines());
    curl_easy_setopt(call.handle(), CURLOPT_UPLOAD, 1L);
    curl_easy_setopt(call.handle(), CURLOPT_READFUNCTION, &hand_over);
    curl_easy_setopt(call.handle(), CURLOPT_READDATA, &upload);
    return call.perform(where());
  }

 private:
  config::EmailSettings settings_;
  std::optional<config::LoginSecret> login_;
};

}  // namespace

std::unique_ptr<Way> email_way(config::EmailSettings settings, std::optional<config::LoginSecret> login) {
  return std::make_unique<Email>(std::move(settings), std::move(login));
}

}  // namespace tallywire::telling
