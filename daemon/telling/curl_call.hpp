// One libcurl handle with the limits that every way shares.
#pragma once

#include "daemon/telling/ways.hpp"

#include <curl/curl.h>

namespace tallywire::telling {

class CurlCall {
 public:
  CurlCall(const std::string& url, const std::string& ca_file, const std::atomic<bool>& stop);
  ~CurlCall();
  CurlCall(const CurlCall&) = delete;
  CurlCall& operator=(const CurlCall&) = delete;

  CURL* handle() { return handle_; }
  void add_line(const std::string& line) { lines_ = curl_slist_append(lines_, line.c_str()); }
  curl_slist* lines() { return lines_; }
  // A Fault with libcurl's own words, which name neither user nor password.
  Outcome<void> perform(const std::string& where);

 private:
  CURL* handle_;
  curl_slist* lines_ = nullptr;
  char words_[CURL_ERROR_SIZE] = {};
};

}  // namespace tallywire::telling
