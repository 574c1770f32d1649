#include "probes/tap/source_pool.hpp"

#include <sys/mman.h>

#include <cstdlib>
#include <new>

namespace tallywire::tap {

Source* SourcePool::at(std::size_t index) const {
  if (index < first_chunk) return static_cast<Source*>(chunks_[0]) + index;
  index -= first_chunk;
  return static_cast<Source*>(chunks_[1 + index / chunk]) + index % chunk;
}

void* SourcePool::room() {
  const bool full = count_ == 0 || (count_ >= first_chunk && (count_ - first_chunk) % chunk == 0);
  if (full) {
    const bool small = chunks_.empty();
    const std::size_t octets = small ? (first_chunk * sizeof(Source) + 63) / 64 * 64 : 8 * page;
    void* memory = std::aligned_alloc(small ? 64 : page, octets);
    if (!memory) throw std::bad_alloc();
    if (!small) ::madvise(memory, octets, MADV_HUGEPAGE);
    chunks_.push_back(memory);
  }
  return at(count_);
}

SourcePool::~SourcePool() {
  for (std::size_t i = 0; i < count_; ++i) at(i)->~Source();
  for (void* memory : chunks_) std::free(memory);
}

}  // namespace tallywire::tap
