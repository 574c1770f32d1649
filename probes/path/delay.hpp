// What a STAMP session found: delay, loss, delay variation and order, each way where that can be told.
#pragma once

namespace tallywire::path {

struct DelayReport;

}  // namespace tallywire::path
