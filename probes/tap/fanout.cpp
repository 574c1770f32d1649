#include "probes/tap/fanout.hpp"

#include <linux/filter.h>
#include <linux/if_ether.h>
#include <linux/if_packet.h>
#include <sys/socket.h>

#include <array>
#include <cerrno>
#include <cstdint>

namespace tallywire::tap {
namespace {

constexpr std::uint32_t network = static_cast<std::uint32_t>(SKF_NET_OFF);

sock_filter load(std::uint32_t at) { return BPF_STMT(BPF_LD | BPF_W | BPF_ABS, network + at); }
sock_filter load_half(std::uint32_t at) { return BPF_STMT(BPF_LD | BPF_H | BPF_ABS, network + at); }
sock_filter equals(std::uint32_t value, std::uint8_t yes, std::uint8_t no) { return BPF_JUMP(BPF_JMP | BPF_JEQ | BPF_K, value, yes, no); }
const sock_filter keep = BPF_STMT(BPF_MISC | BPF_TAX, 0);
const sock_filter mix = BPF_STMT(BPF_ALU | BPF_ADD | BPF_X, 0);

void append_ipv4(std::vector<sock_filter>& program, std::uint32_t at) {
  for (const auto& step : {load(at + 12), keep, load(at + 16), mix}) program.push_back(step);
}

// The last word of both addresses, where hosts differ.
void append_ipv6(std::vector<sock_filter>& program, std::uint32_t at) {
  for (const auto& step : {load(at + 20), keep, load(at + 36), mix}) program.push_back(step);
}

// What addresses come to, whichever way they stand: neighbours' sums differ by little, so they are spread once more.
void append_answer(std::vector<sock_filter>& program) {
  for (const auto& step : {sock_filter(BPF_STMT(BPF_ALU | BPF_MUL | BPF_K, 0x9e3779b1)), sock_filter(BPF_STMT(BPF_ALU | BPF_RSH | BPF_K, 16)),
                           sock_filter(BPF_STMT(BPF_RET | BPF_A, 0))})
    program.push_back(step);
}

// IPv4 and IPv6, bare or behind one or two tags that the card has left in the frame; all else comes by the first socket.
std::vector<sock_filter> program_by_addresses() {
  std::vector<sock_filter> out;
  const auto network_at = [&](std::uint32_t at) {
    constexpr std::uint8_t part = 4 + 3;  // instructions of one answer
    out.push_back(equals(ETH_P_IP, 0, part));
    append_ipv4(out, at);
    append_answer(out);
    out.push_back(equals(ETH_P_IPV6, 0, part));
    append_ipv6(out, at);
    append_answer(out);
  };
  out.push_back(BPF_STMT(BPF_LD | BPF_H | BPF_ABS, static_cast<std::uint32_t>(SKF_AD_OFF + SKF_AD_PROTOCOL)));
  network_at(0);
  for (const std::uint32_t tags : {1u, 2u}) {
    out.push_back(equals(ETH_P_8021Q, 2, 0));
    out.push_back(equals(ETH_P_8021AD, 1, 0));
    out.push_back(BPF_STMT(BPF_RET | BPF_K, 0));
    out.push_back(load_half(tags * 4 - 2));
    network_at(tags * 4);
  }
  out.push_back(BPF_STMT(BPF_RET | BPF_K, 0));
  return out;
}

}  // namespace

int share_by_addresses(const std::vector<int>& sockets) {
  if (sockets.size() < 2) return 0;
  // The kernel finds a number that nobody has for the first; the others join it.
  int choice = (PACKET_FANOUT_CBPF | PACKET_FANOUT_FLAG_UNIQUEID) << 16;
  for (std::size_t i = 0; i < sockets.size(); ++i) {
    if (::setsockopt(sockets[i], SOL_PACKET, PACKET_FANOUT, &choice, sizeof choice) != 0) return errno;
    if (i > 0) continue;
    socklen_t size = sizeof choice;
    if (::getsockopt(sockets[i], SOL_PACKET, PACKET_FANOUT, &choice, &size) != 0) return errno;
    choice = (choice & 0xffff) | PACKET_FANOUT_CBPF << 16;
  }
  auto steps = program_by_addresses();
  const sock_fprog program{static_cast<unsigned short>(steps.size()), steps.data()};
  return ::setsockopt(sockets.front(), SOL_PACKET, PACKET_FANOUT_DATA, &program, sizeof program) == 0 ? 0 : errno;
}

}  // namespace tallywire::tap
