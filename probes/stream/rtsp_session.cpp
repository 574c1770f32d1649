#include "probes/stream/rtsp_session.hpp"

#include "probes/deadline.hpp"

namespace tallywire::stream {

namespace asio = boost::asio;

namespace {

ConnectionPlace place_of(const wire::Url& url) { return {url.host, url.port, url.scheme == "rtsps"}; }

std::string cseq_of(const std::string& request) {
  const auto at = request.rfind("CSeq: ");  // of the last: there may be one for each track
  return at == std::string::npos ? std::string() : request.substr(at + 6, request.find('\r', at) - at - 6);
}

}  // namespace

RtspSession::RtspSession(asio::any_io_executor executor, wire::Url url, std::chrono::milliseconds answer_limit)
    : executor_(std::move(executor)), url_(std::move(url)), limit_(answer_limit) {}

RtspSession::~RtspSession() {
  if (!connection_) return;
  connection_->begin_draining();
  begin_end();
}

Fault RtspSession::no_rtsp() const {
  return {FaultKind::malformed, "the unit sent " + input_.fault(), connection_->place().text(),
          "check that this port speaks RTSP; then restart the unit"};
}

asio::awaitable<Outcome<bool>> RtspSession::connect(wire::ExchangeSettings& settings) {
  connection_ = std::make_unique<Connection>(executor_, place_of(url_), limit_);
  input_ = wire::RtspInput();
  inbox_.clear();
  plain_octets_ = 0;
  settings.url = url_.text();
  settings.where = connection_->place().text();
  auto opening = connection_->open();
  co_return co_await std::move(opening);
}

// The next message; frames that come before PLAY was answered are passed over: nobody knows yet what they are.
asio::awaitable<Outcome<wire::RtspMessage>> RtspSession::answer() {
  for (;;) {
    auto came = input_.next();
    while (came == wire::RtspInput::Came::frame) came = input_.next();
    if (came == wire::RtspInput::Came::malformed) co_return no_rtsp();
    if (came == wire::RtspInput::Came::message) co_return std::move(input_.message());
    inbox_.clear();
    const Connection::OnOctets keep = [this](wire::Octets plain, SystemTime) {
      inbox_.insert(inbox_.end(), plain.begin(), plain.end());
    };
    auto reading = connection_->read(keep);
    auto more = co_await std::move(reading);
    if (!more) co_return more.error();
    plain_octets_ += inbox_.size();
    input_.give(inbox_);
    if (!*more && inbox_.empty()) {
      Fault closed{FaultKind::unreachable, "the unit closed the connection", connection_->place().text(),
                   "repeat; if it stays so, look whether it serves too many viewers already"};
      co_return closed;
    }
  }
}

asio::awaitable<Outcome<bool>> RtspSession::converse(wire::ExchangeSettings settings, OpenPorts open_ports) {
  using Kind = wire::ExchangeAction::Kind;
  auto connecting = connect(settings);
  auto connected = co_await std::move(connecting);
  if (!connected) co_return connected;
  exchange_ = std::make_unique<wire::RtspExchange>(settings);
  auto action = exchange_->begin();
  for (;;) {
    if (action.kind == Kind::playing) co_return true;
    if (action.kind == Kind::failed) co_return std::move(action.fault);
    if (action.kind == Kind::reconnect) {
      const auto url = wire::decode_url(action.url);
      if (!url) co_return no_rtsp();
      url_ = *url;
      auto again = connect(settings);
      auto opened = co_await std::move(again);
      if (!opened) co_return opened;
      action = exchange_->begin();
      continue;
    }
    if (action.kind == Kind::open_ports) {
      auto ports = open_ports(action.ports, own_address());
      if (!ports) co_return ports.error();
      action = exchange_->give_ports(std::move(*ports));
      continue;
    }
    if (!action.octets.empty()) {
      auto writing = connection_->write(std::move(action.octets));
      auto sent = co_await std::move(writing);
      if (!sent) co_return sent;
    }
    auto reading = answer();
    auto came = co_await within<wire::RtspMessage>(limit_, std::move(reading), "the unit's answer",
                                                   connection_->place().text());
    if (!came) co_return came.error();
    action = exchange_->resume(*came);
  }
}

asio::awaitable<Outcome<bool>> RtspSession::play(wire::ExchangeSettings settings, OpenPorts open_ports) {
  auto conversing = converse(std::move(settings), std::move(open_ports));
  const auto where = place_of(url_).text();
  auto playing = co_await within<bool>(3 * limit_, std::move(conversing), "opening the stream", where);
  connection_->begin_draining();
  co_return playing;
}

void RtspSession::cancel() {
  if (connection_) connection_->cancel();
}

Outcome<bool> RtspSession::take_message(wire::RtspMessage& message) {
  if (!teardown_cseq_.empty()) {
    ended_ = ended_ || (message.status != 0 && message.header("cseq") == teardown_cseq_);
    return true;
  }
  auto action = exchange_->resume(message);
  if (action.kind == wire::ExchangeAction::Kind::failed) return std::move(action.fault);
  // RFC 2326 §10.10: the unit wants the session anew; the receiver opens it so, and the unit says again where.
  if (action.kind == wire::ExchangeAction::Kind::reconnect)
    return Fault{FaultKind::unreachable, "the unit asked for a new session", connection_->place().text(), ""};
  if (action.kind == wire::ExchangeAction::Kind::send && !action.octets.empty()) {
    auto sent = connection_->queue(action.octets);
    if (!sent) return sent.error();
  }
  return true;
}

Outcome<bool> RtspSession::drain(const OnFrame& on_frame) {
  Outcome<bool> good = true;
  const auto take_items = [&](SystemTime when) {
    while (good) {
      switch (input_.next()) {
        case wire::RtspInput::Came::need_more: return;
        case wire::RtspInput::Came::malformed: good = no_rtsp(); return;
        case wire::RtspInput::Came::frame: on_frame(input_.channel(), input_.packet(), when); break;
        case wire::RtspInput::Came::message: good = take_message(input_.message()); break;
      }
    }
  };
  if (!inbox_.empty()) {  // what came together with the answer to PLAY
    take_items(now_utc());
    std::vector<std::uint8_t>().swap(inbox_);
  }
  const Connection::OnOctets take = [&](wire::Octets plain, SystemTime when) {
    plain_octets_ += plain.size();
    input_.give(plain);
    take_items(when);
  };
  auto open = connection_->drain(take);
  if (!good) return good;
  return open;
}

Outcome<void> RtspSession::keep_alive() { return connection_->queue(exchange_->keep_alive()); }

Outcome<void> RtspSession::send_frame(std::uint8_t channel, const std::vector<std::uint8_t>& packet) {
  std::string octets = {'$', static_cast<char>(channel), static_cast<char>(packet.size() >> 8),
                        static_cast<char>(packet.size() & 0xff)};
  octets.append(packet.begin(), packet.end());
  return connection_->queue(octets);
}

bool RtspSession::begin_end() {
  if (!exchange_ || !teardown_cseq_.empty()) return false;
  const auto octets = exchange_->teardown();
  if (octets.empty()) return false;
  teardown_cseq_ = cseq_of(octets);
  return connection_->queue(octets).has_value();
}

}  // namespace tallywire::stream
