#include "probes/link/netlink.hpp"

#include <linux/ethtool_netlink.h>
#include <linux/genetlink.h>
#include <linux/netlink.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>

namespace tallywire::link {
namespace {

constexpr std::size_t aligned(std::size_t length) { return (length + 3) & ~std::size_t{3}; }

void put(std::vector<std::uint8_t>& out, const void* data, std::size_t length) {
  const auto* octets = static_cast<const std::uint8_t*>(data);
  out.insert(out.end(), octets, octets + length);
  out.resize(aligned(out.size()));
}

std::vector<std::uint8_t> begin_message(std::uint16_t family, std::uint8_t command, std::uint32_t sequence, std::uint16_t flags = 0) {
  std::vector<std::uint8_t> out;
  nlmsghdr head{0, family, static_cast<std::uint16_t>(NLM_F_REQUEST | flags), sequence, 0};
  genlmsghdr generic{command, 1, 0};
  put(out, &head, sizeof head);
  put(out, &generic, sizeof generic);
  return out;
}

}  // namespace

void put_attribute(std::vector<std::uint8_t>& out, std::uint16_t type, const void* data, std::size_t length) {
  const nlattr head{static_cast<std::uint16_t>(sizeof(nlattr) + length), type};
  out.insert(out.end(), reinterpret_cast<const std::uint8_t*>(&head),
             reinterpret_cast<const std::uint8_t*>(&head) + sizeof head);
  put(out, data, length);
}

std::vector<std::pair<std::uint16_t, std::span<const std::uint8_t>>> list_attributes(
    std::span<const std::uint8_t> octets) {
  std::vector<std::pair<std::uint16_t, std::span<const std::uint8_t>>> out;
  while (octets.size() >= sizeof(nlattr)) {
    nlattr head;
    std::memcpy(&head, octets.data(), sizeof head);
    if (head.nla_len < sizeof head || head.nla_len > octets.size()) break;
    out.emplace_back(static_cast<std::uint16_t>(head.nla_type & NLA_TYPE_MASK),
                     octets.subspan(sizeof head, head.nla_len - sizeof head));
    octets = octets.subspan(std::min(aligned(head.nla_len), octets.size()));
  }
  return out;
}

Attributes read_attributes(std::span<const std::uint8_t> octets) {
  Attributes out;
  for (const auto& [type, value] : list_attributes(octets)) out[type] = value;
  return out;
}

std::uint32_t u32_of(std::span<const std::uint8_t> attribute) {
  std::uint32_t value = 0;
  if (attribute.size() >= sizeof value) std::memcpy(&value, attribute.data(), sizeof value);
  return value;
}

std::uint64_t u64_of(std::span<const std::uint8_t> attribute) {
  std::uint64_t value = 0;
  if (attribute.size() >= sizeof value) std::memcpy(&value, attribute.data(), sizeof value);
  return value;
}

std::uint8_t u8_of(std::span<const std::uint8_t> attribute) { return attribute.empty() ? 0 : attribute[0]; }

std::string text_of(std::span<const std::uint8_t> attribute) {
  std::string out(attribute.begin(), attribute.end());
  return out.substr(0, out.find('\0'));
}

EthtoolNetlink::~EthtoolNetlink() {
  if (socket_ >= 0) ::close(socket_);
}

Outcome<std::span<const std::uint8_t>> EthtoolNetlink::exchange(std::vector<std::uint8_t> request,
                                                               const std::string& where) {
  auto* head = reinterpret_cast<nlmsghdr*>(request.data());
  head->nlmsg_len = static_cast<std::uint32_t>(request.size());
  sockaddr_nl kernel{};
  kernel.nl_family = AF_NETLINK;
  if (::sendto(socket_, request.data(), request.size(), 0, reinterpret_cast<sockaddr*>(&kernel), sizeof kernel) < 0)
    return Fault{FaultKind::system, std::string("netlink: ") + std::strerror(errno), where, ""};
  buffer_.resize(32 * 1024);
  for (;;) {
    const auto got = ::recv(socket_, buffer_.data(), buffer_.size(), 0);
    if (got < 0) return Fault{FaultKind::system, std::string("netlink: ") + std::strerror(errno), where, ""};
    nlmsghdr answer{};
    if (static_cast<std::size_t>(got) < sizeof answer) continue;
    std::memcpy(&answer, buffer_.data(), sizeof answer);
    if (answer.nlmsg_seq != sequence_ || answer.nlmsg_len > static_cast<std::size_t>(got)) continue;
    if (answer.nlmsg_type == NLMSG_ERROR) {
      nlmsgerr error{};
      if (answer.nlmsg_len >= sizeof answer + sizeof error)
        std::memcpy(&error, buffer_.data() + sizeof answer, sizeof error);
      if (error.error == 0) return std::span<const std::uint8_t>();  // an order that was taken
      const bool lacking = error.error == -EOPNOTSUPP, forbidden = error.error == -EPERM || error.error == -EACCES;
      return Fault{lacking ? FaultKind::unsupported : forbidden ? FaultKind::refused : FaultKind::system,
                   lacking ? "the driver does not tell" : std::strerror(-error.error), where, ""};
    }
    const std::size_t skip = sizeof(nlmsghdr) + sizeof(genlmsghdr);
    if (answer.nlmsg_len < skip) return Fault{FaultKind::malformed, "netlink answered too little", where, ""};
    return std::span<const std::uint8_t>(buffer_).subspan(skip, answer.nlmsg_len - skip);
  }
}

Outcome<void> EthtoolNetlink::open() {
  socket_ = ::socket(AF_NETLINK, SOCK_RAW | SOCK_CLOEXEC, NETLINK_GENERIC);
  if (socket_ < 0) return Fault{FaultKind::system, std::string("netlink: ") + std::strerror(errno), "this machine", ""};
  const timeval limit{1, 0};
  setsockopt(socket_, SOL_SOCKET, SO_RCVTIMEO, &limit, sizeof limit);
  auto request = begin_message(GENL_ID_CTRL, CTRL_CMD_GETFAMILY, ++sequence_);
  put_attribute(request, CTRL_ATTR_FAMILY_NAME, ETHTOOL_GENL_NAME, sizeof ETHTOOL_GENL_NAME);
  auto answer = exchange(std::move(request), "this machine");
  if (!answer) return answer.error();
  const auto attributes = read_attributes(*answer);
  const auto id = attributes.find(CTRL_ATTR_FAMILY_ID);
  if (id == attributes.end() || id->second.size() < 2)
    return Fault{FaultKind::unsupported, "the kernel has no ethtool netlink", "this machine", "Linux 5.6 or newer has it"};
  std::memcpy(&family_, id->second.data(), sizeof family_);
  if (const auto groups = attributes.find(CTRL_ATTR_MCAST_GROUPS); groups != attributes.end())
    for (const auto& [number, group] : list_attributes(groups->second)) {
      const auto fields = read_attributes(group);
      const auto name = fields.find(CTRL_ATTR_MCAST_GRP_NAME), group_id = fields.find(CTRL_ATTR_MCAST_GRP_ID);
      if (name != fields.end() && group_id != fields.end() && text_of(name->second) == ETHTOOL_MCGRP_MONITOR_NAME)
        monitor_group_ = u32_of(group_id->second);
    }
  return {};
}

Outcome<std::span<const std::uint8_t>> EthtoolNetlink::send(std::uint8_t command, std::uint16_t flags, const std::string& interface,
                                                           std::span<const std::uint8_t> more) {
  auto request = begin_message(family_, command, ++sequence_, flags);
  std::vector<std::uint8_t> header;
  put_attribute(header, ETHTOOL_A_HEADER_DEV_NAME, interface.c_str(), interface.size() + 1);
  put_attribute(request, 1 | NLA_F_NESTED, header.data(), header.size());
  request.insert(request.end(), more.begin(), more.end());
  return exchange(std::move(request), interface);
}

Outcome<Attributes> EthtoolNetlink::ask(std::uint8_t command, const std::string& interface) {
  auto answer = send(command, 0, interface, {});
  if (!answer) return answer.error();
  return read_attributes(*answer);
}

Outcome<EthtoolNetlink::Listed> EthtoolNetlink::ask_list(std::uint8_t command, const std::string& interface, std::span<const std::uint8_t> more) {
  auto answer = send(command, 0, interface, more);
  if (!answer) return answer.error();
  return list_attributes(*answer);
}

Outcome<void> EthtoolNetlink::order(std::uint8_t command, const std::string& interface) {
  auto answer = send(command, NLM_F_ACK, interface, {});
  if (!answer) return answer.error();
  return {};
}

Outcome<void> EthtoolNetlink::listen() {
  if (monitor_group_ == 0 || setsockopt(socket_, SOL_NETLINK, NETLINK_ADD_MEMBERSHIP, &monitor_group_, sizeof monitor_group_) != 0)
    return Fault{FaultKind::unsupported, "the kernel sends no ethtool notifications", "this machine", ""};
  return {};
}

Outcome<std::optional<EthtoolNetlink::Listed>> EthtoolNetlink::next(std::uint8_t command, std::chrono::milliseconds limit) {
  const auto end = std::chrono::steady_clock::now() + limit;
  buffer_.resize(32 * 1024);
  for (;;) {
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(end - std::chrono::steady_clock::now()).count();
    pollfd ready{socket_, POLLIN, 0};
    if (left <= 0 || ::poll(&ready, 1, static_cast<int>(left)) == 0) return std::optional<Listed>();
    const auto got = ::recv(socket_, buffer_.data(), buffer_.size(), MSG_DONTWAIT);
    if (got < 0 && (errno == EAGAIN || errno == EINTR)) continue;
    if (got < 0) return Fault{FaultKind::system, std::string("netlink: ") + std::strerror(errno), "this machine", ""};
    nlmsghdr head{};
    genlmsghdr generic{};
    const std::size_t skip = sizeof head + sizeof generic;
    if (static_cast<std::size_t>(got) < skip) continue;
    std::memcpy(&head, buffer_.data(), sizeof head);
    std::memcpy(&generic, buffer_.data() + sizeof head, sizeof generic);
    if (head.nlmsg_type != family_ || generic.cmd != command || head.nlmsg_len < skip || head.nlmsg_len > static_cast<std::size_t>(got)) continue;
    return std::optional(list_attributes(std::span<const std::uint8_t>(buffer_).subspan(skip, head.nlmsg_len - skip)));
  }
}

}  // namespace tallywire::link
