// Each way's own queue: the oldest message first, tried again and again, kept over a restart in the record. One dead way holds
// up none of the others. Network thread only; what blocks runs on threads of its own.
#pragma once

#include "daemon/record/record.hpp"
#include "daemon/round/task_group.hpp"
#include "daemon/telling/ways.hpp"

#include <boost/asio/awaitable.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>

#include <functional>
#include <random>

namespace tallywire::telling {

class Queues {
 public:
  // `on_told` hears {way, key, state: "told" | "failed" | "given_up", tries, fault, at}. All must outlive the queues.
  Queues(boost::asio::io_context& context, record::Record& record, boost::asio::thread_pool& writing, std::vector<std::unique_ptr<Way>> ways, double first_retry_s,
         double give_up_after_h, std::function<void(const nlohmann::json&)> on_told);
  ~Queues();
  void start();
  void look();  // there is something new
  void stop();
  bool finished() const { return tasks_.running() == 0; }
  std::vector<std::string> names() const;
  boost::asio::awaitable<Outcome<nlohmann::json>> state();  // docs/api.md, "ways"

 private:
  struct Queue {
    std::unique_ptr<Way> way;
    std::unique_ptr<boost::asio::steady_timer> timer;
    bool look = false;
    bool busy = false;
  };
  boost::asio::awaitable<void> run(Queue& queue);
  boost::asio::awaitable<void> wait(Queue& queue, std::chrono::milliseconds longest);
  boost::asio::awaitable<Outcome<bool>> tell_oldest(Queue& queue);

  boost::asio::io_context& context_;
  record::Record& record_;
  boost::asio::thread_pool& writing_;
  double first_retry_s_, give_up_after_h_;
  std::function<void(const nlohmann::json&)> on_told_;
  std::vector<Queue> queues_;
  boost::asio::thread_pool telling_;
  round::TaskGroup tasks_;
  std::atomic<bool> stop_{false};
  std::mt19937_64 chance_{std::random_device{}()};
};

}  // namespace tallywire::telling
