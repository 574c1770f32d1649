// A page printed to PDF by a headless Chromium of this machine. Blocks until it has ended; Linux.
#pragma once

#include "probes/fault.hpp"

#include <atomic>
#include <chrono>
#include <string>

namespace tallywire::client {

// The program to print with: `wanted` where it is not empty, else the first Chromium on the PATH. A Fault says what to do when there is none.
Outcome<std::string> find_browser(const std::string& wanted);

// Prints `html` into the new file `pdf`. The browser has a profile of its own that is gone afterwards, resolves no name, and as root runs
// in a network namespace without a link. It is ended, with all that it started, after `limit` or when `stop` turns true; then, and when
// it fails, `pdf` is not there.
Outcome<void> print_to_pdf(const std::string& browser, const std::string& html, const std::string& pdf, std::chrono::milliseconds limit,
    const std::atomic<bool>& stop);

}  // namespace tallywire::client
