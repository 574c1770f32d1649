#include "probes/wire/arp.hpp"
#include "tests/site/camera.hpp"

#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>

#include <linux/if_packet.h>
#include <net/ethernet.h>
#include <net/if.h>
#include <netinet/in.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cstring>
#include <stdexcept>

namespace tallywire::site {

boost::asio::awaitable<void> announce(const Camera& camera) {
  const int fd = ::socket(AF_PACKET, SOCK_RAW | SOCK_CLOEXEC, 0);
  ifreq request{};
  std::strncpy(request.ifr_name, camera.interface.c_str(), IFNAMSIZ - 1);
  if (fd < 0 || ::ioctl(fd, SIOCGIFINDEX, &request) != 0) throw std::runtime_error("no raw socket on " + camera.interface);
  sockaddr_ll to{};
  to.sll_family = AF_PACKET;
  to.sll_ifindex = request.ifr_ifindex;
  to.sll_halen = 6;
  std::memset(to.sll_addr, 0xff, 6);
  ::ioctl(fd, SIOCGIFHWADDR, &request);
  wire::MacAddress own;
  std::memcpy(own.octets.data(), request.ifr_hwaddr.sa_data, 6);
  const auto address = *wire::decode_ipv4(camera.address);
  boost::asio::steady_timer timer(co_await boost::asio::this_coro::executor);
  for (int i = 0; i < 5; ++i) {
    // Three probes (nobody's address yet), then two announcements (ours).
    const auto frame = i < 3 ? wire::encode_arp_request(own, std::nullopt, address) : wire::encode_arp_request(own, address, address);
    ::sendto(fd, frame.data(), frame.size(), 0, reinterpret_cast<sockaddr*>(&to), sizeof to);
    timer.expires_after(std::chrono::milliseconds(150));
    co_await timer.async_wait(boost::asio::use_awaitable);
  }
  ::close(fd);
}

}  // namespace tallywire::site
