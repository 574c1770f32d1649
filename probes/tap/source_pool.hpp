// Where sources live: a deque of large chunks, aligned to large pages and given to the kernel as such, since ten thousand
// meters do not fit the processor's table of small ones. Sources keep their place until the pool ends or retain() moves them.
#pragma once

#include "probes/tap/source.hpp"

#include <cstddef>
#include <memory>
#include <utility>
#include <vector>

namespace tallywire::tap {

class SourcePool {
 public:
  SourcePool() = default;
  ~SourcePool();
  SourcePool(const SourcePool&) = delete;
  SourcePool& operator=(const SourcePool&) = delete;

  template <class... Arguments>
  Source* make(Arguments&&... arguments) {
    auto* out = new (room()) Source(std::forward<Arguments>(arguments)...);
    ++count_;
    return out;
  }
  // Keeps those that `keep` wants, in their order, in a pool as large as they need. `moved(old, now)` tells where each one
  // went; null: it is gone. Until then the old places hold.
  template <class Keep, class Moved>
  void retain(Keep&& keep, Moved&& moved) {
    SourcePool kept;
    for (std::size_t i = 0; i < count_; ++i) {
      auto* old = at(i);
      moved(old, keep(*old) ? kept.make(std::move(*old)) : nullptr);
    }
    std::swap(chunks_, kept.chunks_);
    std::swap(count_, kept.count_);
  }
  std::size_t size() const { return count_; }
  Source& operator[](std::size_t index) { return *at(index); }
  const Source& operator[](std::size_t index) const { return *at(index); }

 private:
  static constexpr std::size_t page = 2 * 1024 * 1024;
  // The first chunk is small: a capture of one stream costs no large page.
  static constexpr std::size_t first_chunk = 16, chunk = 8 * page / sizeof(Source);
  void* room();
  Source* at(std::size_t index) const;

  std::vector<void*> chunks_;
  std::size_t count_ = 0;
};

}  // namespace tallywire::tap
