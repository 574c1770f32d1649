#include "daemon/api/doors.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <optional>

namespace tallywire::api {

namespace asio = boost::asio;
using asio::ip::tcp;
using local = asio::local::stream_protocol;

namespace {

constexpr auto most_waiting = asio::socket_base::max_listen_connections;

// Why the path cannot be had; none when it is free, or was freed of a killed service's socket.
std::optional<Fault> claim(asio::io_context& context, const std::string& path) {
  struct stat info{};
  if (::lstat(path.c_str(), &info) != 0) return std::nullopt;
  if (!S_ISSOCK(info.st_mode))
    return Fault{FaultKind::bad_request, "this is no socket, and is left alone", path, "name another socket in the settings"};
  local::socket trial(context);
  boost::system::error_code code;
  trial.connect(local::endpoint(path), code);
  if (!code)
    return Fault{FaultKind::system, "another tallywired answers here already", path,
                 "stop it first, or name another socket in the settings"};
  if (code != asio::error::connection_refused)
    return Fault{FaultKind::system, "the Unix socket is another's: " + code.message(), path, "name another socket in the settings"};
  ::unlink(path.c_str());
  return std::nullopt;
}

}  // namespace

Outcome<void> UnixDoor::open(const std::string& path) {
  const auto fail = [&](const std::string& why) {
    return Fault{FaultKind::system, "the Unix socket cannot be opened: " + why, path,
                 "check that its directory is there and may be written"};
  };
  if (path.size() >= sizeof(sockaddr_un::sun_path)) return fail("its path is longer than a socket's may be");
  auto& context = static_cast<asio::io_context&>(acceptor_.get_executor().context());
  if (auto fault = claim(context, path)) return *fault;
  boost::system::error_code code;
  acceptor_.open(local(), code);
  // Made without rights for others from the start, not taken from them later.
  const mode_t before = ::umask(0117);
  if (!code) acceptor_.bind(local::endpoint(path), code);
  ::umask(before);
  if (code) return fail(code.message());
  path_ = path;
  struct stat info{};
  if (::lstat(path.c_str(), &info) == 0) {
    device_ = info.st_dev;
    inode_ = info.st_ino;
  }
  acceptor_.listen(most_waiting, code);
  if (code) return fail(code.message());
  return {};
}

void UnixDoor::close() {
  boost::system::error_code code;
  acceptor_.close(code);
  struct stat info{};
  if (!path_.empty() && ::lstat(path_.c_str(), &info) == 0 && info.st_dev == device_ && info.st_ino == inode_)
    ::unlink(path_.c_str());
  path_.clear();
}

Outcome<void> open_loopback(tcp::acceptor& acceptor, std::uint16_t tcp_port, int inherited) {
  boost::system::error_code code;
  if (inherited >= 0) {
    acceptor.assign(tcp::v4(), inherited, code);
  } else {
    const tcp::endpoint endpoint(asio::ip::address_v4::loopback(), tcp_port);
    acceptor.open(endpoint.protocol(), code);
    if (!code) acceptor.set_option(tcp::acceptor::reuse_address(true), code);
    if (!code) acceptor.bind(endpoint, code);
    if (!code) acceptor.listen(most_waiting, code);
  }
  if (code)
    return Fault{FaultKind::system, "the page's port cannot be opened: " + code.message(),
                 "127.0.0.1:" + std::to_string(tcp_port), "name another loopback_tcp_port in the settings"};
  return {};
}

Outcome<void> open_tls(tcp::acceptor& acceptor, asio::ssl::context& tls, const OpenDoorSettings& door) {
  const auto where = door.address + ":" + std::to_string(door.tcp_port);
  if (door.token.empty())
    return Fault{FaultKind::bad_request, "a door beyond this machine needs a token", where, "name token_secret in the settings"};
  boost::system::error_code code;
  tls.set_options(asio::ssl::context::default_workarounds | asio::ssl::context::no_tlsv1 | asio::ssl::context::no_tlsv1_1);
  tls.use_certificate_chain_file(door.certificate_file, code);
  if (!code) tls.use_private_key_file(door.key_file, asio::ssl::context::pem, code);
  if (code)
    return Fault{FaultKind::system, "certificate or key cannot be used: " + code.message(), door.certificate_file, "give PEM files that this user may read"};
  const tcp::endpoint endpoint(asio::ip::make_address(door.address, code), door.tcp_port);
  if (!code) acceptor.open(endpoint.protocol(), code);
  if (!code) acceptor.set_option(tcp::acceptor::reuse_address(true), code);
  if (!code) acceptor.bind(endpoint, code);
  if (!code) acceptor.listen(most_waiting, code);
  if (code)
    return Fault{FaultKind::system, "the open door cannot listen: " + code.message(), where, "check that the address is this machine's"};
  return {};
}

}  // namespace tallywire::api
