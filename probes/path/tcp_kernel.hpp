// The kernel's own counters of a TCP connection. Apart from the sockets: <linux/tcp.h> has what glibc's header
// lacks, and the two cannot be included together.
#pragma once

#include "probes/path/throughput.hpp"

namespace tallywire::path {

// Round trip, retransmissions and segment size; what the kernel does not tell is unread.
void read_tcp_info(int socket, ThroughputReport& out);

}  // namespace tallywire::path
