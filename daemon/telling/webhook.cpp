#include "daemon/telling/curl_call.hpp"
#include "daemon/telling/texts.hpp"

namespace tallywire::telling {
namespace {

class Webhook : public Way {
 public:
  Webhook(config::WebhookSettings settings, std::string key) : settings_(std::move(settings)), key_(std::move(key)) {}
  std::string name() const override { return "webhook"; }
  // Path and query may hold a token of the receiver's: they are not shown.
  std::string where() const override { return settings_.url.substr(0, settings_.url.find_first_of("/?#", settings_.url.find("//") + 2)); }

  Outcome<void> tell(const nlohmann::json& message, SystemTime now, const std::atomic<bool>& stop) override {
    const auto body = json_line(message);
    const auto time = std::to_string(std::chrono::duration_cast<std::chrono::seconds>(now.time_since_epoch()).count());
    CurlCall call(settings_.url, settings_.ca_file, stop);
    call.add_line("Content-Type: application/json");
    call.add_line("Expect:");
    call.add_line("Tallywire-Key: " + message.at("key").get<std::string>());
    call.add_line("Tallywire-Time: " + time);
    call.add_line("Tallywire-Hmac-Sha256: " + signature_of(key_, time, body));
    curl_easy_setopt(call.handle(), CURLOPT_PROTOCOLS_STR, "http,https");
    curl_easy_setopt(call.handle(), CURLOPT_HTTPHEADER, call.lines());
    curl_easy_setopt(call.handle(), CURLOPT_USERAGENT, "tallywire/" TALLYWIRE_VERSION);
    curl_easy_setopt(call.handle(), CURLOPT_POSTFIELDSIZE_LARGE, static_cast<curl_off_t>(body.size()));
    curl_easy_setopt(call.handle(), CURLOPT_POSTFIELDS, body.c_str());
    if (auto done = call.perform(where()); !done) return done.error();
    long status = 0;
    curl_easy_getinfo(call.handle(), CURLINFO_RESPONSE_CODE, &status);
    if (status / 100 == 2) return {};
    return Fault{FaultKind::refused, "the receiver answered " + std::to_string(status), where(), "it must answer 200 to 299"};
  }

 private:
  config::WebhookSettings settings_;
  std::string key_;
};

}  // namespace

std::unique_ptr<Way> webhook_way(config::WebhookSettings settings, std::string key) { return std::make_unique<Webhook>(std::move(settings), std::move(key)); }

}  // namespace tallywire::telling
