// Hears who speaks on an interface, filtered in the kernel, captured on a thread of its own. Callbacks run on the capture
// thread; the owner posts them on. Needs no address on the interface.
#pragma once

#include "probes/arrivals/sighting.hpp"
#include "probes/fault.hpp"

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <thread>

struct pcap;

namespace tallywire::arrivals {

enum class ListenerState { listening, down, gone };

struct ListenerNews {
  ListenerState state = ListenerState::listening;
  std::string interface;  // what it is called now
  std::string note;       // for a person; may be empty
};

class Listener {
 public:
  using OnSighting = std::function<void(const Sighting&)>;
  using OnState = std::function<void(const ListenerNews&)>;

  // Opens the interface, or answers why it cannot. Goes on when the interface goes down, is renamed (then it is followed) or
  // goes away, and picks it up again under its first name; each change is told.
  static Outcome<std::unique_ptr<Listener>> open(const std::string& interface, OnSighting on_sighting,
                                                 OnState on_state);
  ~Listener();
  Listener(const Listener&) = delete;
  Listener& operator=(const Listener&) = delete;

 private:
  Listener(std::string interface, OnSighting on_sighting, OnState on_state);
  enum class Heard { end, news, broken };
  void run();
  Heard listen(ListenerState told);
  void follow_new_name();
  void close_capture();

  std::string first_name_;
  std::string interface_;  // what it is called now
  unsigned index_ = 0;     // of what is captured on
  OnSighting on_sighting_;
  OnState on_state_;
  SightingReader reader_;
  pcap* capture_ = nullptr;
  int wake_ = -1;  // eventfd that ends the thread
  std::thread thread_;
};

}  // namespace tallywire::arrivals
