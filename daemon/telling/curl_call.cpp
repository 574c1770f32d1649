#include "daemon/telling/curl_call.hpp"

#include <new>

namespace tallywire::telling {
namespace {

constexpr long connect_s = 10;
constexpr std::size_t most_answer_octets = 65'536;

int leave_when_stopped(void* stop, curl_off_t, curl_off_t, curl_off_t, curl_off_t) { return static_cast<const std::atomic<bool>*>(stop)->load() ? 1 : 0; }

struct Answer {
  std::size_t octets = 0;
};

// What a receiver answers is not wanted, but for its status.
std::size_t drop(char*, std::size_t size, std::size_t count, void* answer) {
  auto& seen = static_cast<Answer*>(answer)->octets;
  seen += size * count;
  return seen > most_answer_octets ? 0 : size * count;
}

FaultKind kind_of(CURLcode code) {
  switch (code) {
    case CURLE_OPERATION_TIMEDOUT: return FaultKind::timed_out;
    case CURLE_LOGIN_DENIED:
    case CURLE_PEER_FAILED_VERIFICATION:
    case CURLE_USE_SSL_FAILED: return FaultKind::refused;
    case CURLE_ABORTED_BY_CALLBACK: return FaultKind::cancelled;
    default: return FaultKind::unreachable;
  }
}

}  // namespace

CurlCall::CurlCall(const std::string& url, const std::string& ca_file, const std::atomic<bool>& stop) : handle_(curl_easy_init()) {
  if (!handle_) throw std::bad_alloc();
  static thread_local Answer answer;
  answer = {};
  curl_easy_setopt(handle_, CURLOPT_URL, url.c_str());
  curl_easy_setopt(handle_, CURLOPT_ERRORBUFFER, words_);
  curl_easy_setopt(handle_, CURLOPT_NOSIGNAL, 1L);
  curl_easy_setopt(handle_, CURLOPT_CONNECTTIMEOUT, connect_s);
  curl_easy_setopt(handle_, CURLOPT_TIMEOUT, static_cast<long>(longest_try.count()));
  curl_easy_setopt(handle_, CURLOPT_FOLLOWLOCATION, 0L);
  curl_easy_setopt(handle_, CURLOPT_PROXY, "");
  curl_easy_setopt(handle_, CURLOPT_NETRC, static_cast<long>(CURL_NETRC_IGNORED));
  curl_easy_setopt(handle_, CURLOPT_SSLVERSION, static_cast<long>(CURL_SSLVERSION_TLSv1_2));  // RFC 8996
  if (!ca_file.empty()) {
    curl_easy_setopt(handle_, CURLOPT_CAINFO, ca_file.c_str());
    curl_easy_setopt(handle_, CURLOPT_CAPATH, nullptr);
  }
  curl_easy_setopt(handle_, CURLOPT_WRITEFUNCTION, &drop);
  curl_easy_setopt(handle_, CURLOPT_WRITEDATA, &answer);
  curl_easy_setopt(handle_, CURLOPT_NOPROGRESS, 0L);
  curl_easy_setopt(handle_, CURLOPT_XFERINFOFUNCTION, &leave_when_stopped);
  curl_easy_setopt(handle_, CURLOPT_XFERINFODATA, const_cast<std::atomic<bool>*>(&stop));
}

CurlCall::~CurlCall() {
  curl_slist_free_all(lines_);
  curl_easy_cleanup(handle_);
}

Outcome<void> CurlCall::perform(const std::string& where) {
  const auto code = curl_easy_perform(handle_);
  if (code == CURLE_OK) return {};
  const std::string said = words_[0] ? words_ : curl_easy_strerror(code);
  return Fault{kind_of(code), said, where, "check address, port and certificate in “telling” of the settings"};
}

}  // namespace tallywire::telling
