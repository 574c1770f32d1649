#include "daemon/site_thinning.hpp"

#include <boost/asio/post.hpp>
#include <spdlog/spdlog.h>

namespace tallywire {

void SiteThinning::start() {
  if (runs_.exchange(true)) return;
  boost::asio::post(writing_, [this] { step(); });
}

void SiteThinning::step() {
  auto more = stopped_ ? Outcome<bool>(false) : record_.thin(now_utc());
  if (!more) spdlog::warn("the record could not be thinned: {}", more.error().sentence());
  if (more && *more)
    boost::asio::post(writing_, [this] { step(); });
  else
    runs_ = false;
}

}  // namespace tallywire
