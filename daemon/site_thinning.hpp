// Thins the record in small steps on the thread that writes it, one behind what else waits there: no write waits for more
// than one step. At the service's start, and whenever a round has ended.
#pragma once

#include "daemon/record/record.hpp"

#include <boost/asio/thread_pool.hpp>

#include <atomic>

namespace tallywire {

class SiteThinning {
 public:
  // Both must outlive it; `writing` is joined before it goes.
  SiteThinning(record::Record& record, boost::asio::thread_pool& writing) : record_(record), writing_(writing) {}
  void start();  // any thread; nothing while it runs already
  void stop() { stopped_ = true; }

 private:
  void step();

  record::Record& record_;
  boost::asio::thread_pool& writing_;
  std::atomic<bool> runs_{false}, stopped_{false};
};

}  // namespace tallywire
