#include "probes/open_files.hpp"

#include <sys/resource.h>

namespace tallywire {

void raise_open_files_limit() {
  rlimit limit{};
  if (getrlimit(RLIMIT_NOFILE, &limit) != 0) return;
  limit.rlim_cur = limit.rlim_max;
  setrlimit(RLIMIT_NOFILE, &limit);
}

}  // namespace tallywire
