#include "probes/link/snmp_session.hpp"

#include "probes/link/snmp_parts.hpp"

#include <net-snmp/library/large_fd_set.h>
#include <poll.h>

#include <algorithm>
#include <cstring>

namespace tallywire::link {
namespace {

constexpr std::chrono::microseconds longest_try = std::chrono::seconds(1);
constexpr int tries = 2;

using Clock = std::chrono::steady_clock;

long microseconds_of_a_try(Clock::time_point end) {
  const auto left = std::chrono::duration_cast<std::chrono::microseconds>(end - Clock::now());
  return static_cast<long>(std::clamp(left, std::chrono::microseconds(1), longest_try).count());
}

// Whatever the number of open files: the library's plain call ends at descriptor 1023.
void read_ready(void* handle, int descriptor) {
  netsnmp_large_fd_set ready;
  netsnmp_large_fd_set_init(&ready, std::max(FD_SETSIZE, descriptor + 1));
  netsnmp_large_fd_setfd(descriptor, &ready);
  snmp_sess_read2(handle, &ready);
  netsnmp_large_fd_set_cleanup(&ready);
}

// It takes request and message numbers from tables of the process.
netsnmp_pdu* new_pdu(int command) {
  const std::lock_guard hold(snmp_library());
  return snmp_pdu_create(command);
}

}  // namespace

// One request that the library waits for, and what became of it.
struct SnmpSession::Waiting {
  bool ended = false;
  int error = SNMPERR_SUCCESS;
  Answer answer;

  // As the library's own synchronous call judges what comes.
  static int on_event(int event, netsnmp_session*, int, netsnmp_pdu* pdu, void* magic) {
    auto& self = *static_cast<Waiting*>(magic);
    if (event == NETSNMP_CALLBACK_OP_RESEND || event == NETSNMP_CALLBACK_OP_CONNECT) return 1;  // it goes on
    if (event == NETSNMP_CALLBACK_OP_RECEIVED_MESSAGE && pdu->command == SNMP_MSG_RESPONSE) {
      self.answer.pdu.reset(snmp_clone_pdu(pdu));
    } else if (event == NETSNMP_CALLBACK_OP_RECEIVED_MESSAGE && pdu->command == SNMP_MSG_REPORT) {
      self.error = snmpv3_get_report_type(pdu);
      if (self.error == SNMPERR_NOT_IN_TIME_WINDOW) return 1;  // the library asks once more by itself
    } else {
      self.error = event == NETSNMP_CALLBACK_OP_TIMED_OUT ? SNMPERR_TIMEOUT : SNMPERR_GENERR;
    }
    self.ended = true;
    return 1;
  }
};

SnmpValue value_of(const netsnmp_variable_list& variable) {
  SnmpValue out;
  switch (variable.type) {
    case ASN_INTEGER:
    case ASN_COUNTER:
    case ASN_GAUGE:
    case ASN_TIMETICKS:
      out.number = static_cast<std::uint64_t>(*variable.val.integer) & 0xffffffffu;
      break;
    case ASN_COUNTER64:
      out.number = std::uint64_t{variable.val.counter64->high} << 32 | (variable.val.counter64->low & 0xffffffffu);
      break;
    case ASN_OCTET_STR:
    case ASN_IPADDRESS:
      out.octets.assign(reinterpret_cast<const char*>(variable.val.string), variable.val_len);
      break;
    case ASN_OBJECT_ID:
      out.oid.assign(variable.val.objid, variable.val.objid + variable.val_len / sizeof(oid));
      break;
    default: break;
  }
  return out;
}

SnmpSession::SnmpSession(void* handle, std::string where, Clock::time_point end)
    : handle_(handle), where_(std::move(where)), end_(end) {}

Outcome<std::unique_ptr<SnmpSession>> SnmpSession::open(const SwitchAccess& access, std::chrono::milliseconds limit) {
  const auto end = Clock::now() + limit;
  const std::string where = access.address + ":" + std::to_string(access.udp_port);
  const bool v6 = access.address.find(':') != std::string::npos;
  std::string peer = v6 ? "udp6:[" + access.address + "]:" : "udp:" + access.address + ":";
  peer += std::to_string(access.udp_port);
  const bool v3 = access.community.empty();
  std::mutex& library = snmp_library();
  netsnmp_session session{};
  snmp_sess_init(&session);
  session.peername = peer.data();
  session.retries = 0;
  session.flags |= SNMP_FLAGS_DONT_PROBE;  // the library would look for the engine with its tables locked
  if (!v3) {
    session.version = SNMP_VERSION_2c;
    session.community = reinterpret_cast<unsigned char*>(const_cast<char*>(access.community.c_str()));
    session.community_len = access.community.size();
  } else if (!set_user(session, access)) {
    return Fault{FaultKind::bad_request, "the secret's passwords cannot be made into keys", where,
                 "SNMP v3 passwords have at least 8 characters"};
  }
  std::unique_lock hold(library);
  void* const handle = snmp_sess_open(&session);
  forget_users();
  if (!handle) return fault_of_library(session.s_snmp_errno, where);
  hold.unlock();
  std::unique_ptr<SnmpSession> out(new SnmpSession(handle, where, end));
  if (v3)
    if (auto found = out->find_engine(); !found) return found.error();
  return out;
}

// The question whose report names the agent's engine (RFC 3414 §4): no user, nothing signed.
void* SnmpSession::probe() const {
  netsnmp_pdu* request = new_pdu(SNMP_MSG_GET);
  request->version = SNMP_VERSION_3;
  request->securityName = ::strdup("");
  request->securityNameLen = 0;
  request->securityLevel = SNMP_SEC_LEVEL_NOAUTH;
  request->securityModel = SNMP_SEC_MODEL_USM;
  return request;
}

Outcome<void> SnmpSession::find_engine() {
  netsnmp_session* const session = snmp_sess_session(handle_);
  for (int count = 0; count < tries && session->securityEngineIDLen == 0; ++count)
    if (auto answer = try_once(probe()); !answer && answer.error().kind == FaultKind::timed_out) return answer.error();
  if (session->securityEngineIDLen == 0) return no_answer(where_);
  const std::lock_guard hold(snmp_library());
  if (!user_ && usm_create_user_from_session(session) == SNMPERR_SUCCESS) user_ = take_user();
  forget_users();
  if (!user_) return fault_of_library(SNMPERR_GENERR, where_);
  return {};
}

SnmpSession::~SnmpSession() {
  const std::lock_guard hold(snmp_library());
  snmp_sess_close(handle_);
  if (user_) usm_free_user(static_cast<usmUser*>(user_));
  forget_users();
}

Outcome<SnmpSession::Answer> SnmpSession::try_once(void* request) {
  auto* const pdu = static_cast<netsnmp_pdu*>(request);
  std::unique_lock hold(snmp_library());
  if (Clock::now() >= end_) {
    snmp_free_pdu(pdu);
    return too_slow(where_);
  }
  const auto try_us = microseconds_of_a_try(end_);
  const auto until = Clock::now() + std::chrono::microseconds(try_us);
  snmp_sess_session(handle_)->timeout = try_us;
  // The library's own work, with our user in its table for no longer than that. It makes the user itself as soon as it
  // reads the engine's report.
  const auto with_user = [this](const auto& work) {
    if (user_) usm_add_user(static_cast<usmUser*>(user_));
    work();
    if (user_) usm_remove_user(static_cast<usmUser*>(user_));
    else user_ = take_user();
  };
  auto waiting = std::make_unique<Waiting>();
  int sent = 0;
  with_user([&] { sent = snmp_sess_async_send(handle_, pdu, &Waiting::on_event, waiting.get()); });
  ++exchanges_;
  if (sent == 0) {
    snmp_free_pdu(pdu);
    int library_error = 0, system_error = 0;
    char* text = nullptr;
    snmp_sess_error(handle_, &system_error, &library_error, &text);
    std::free(text);
    return fault_of_library(library_error, where_);
  }
  pollfd socket{snmp_sess_transport(handle_)->sock, POLLIN, 0};
  while (!waiting->ended) {
    hold.unlock();
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(until - Clock::now()).count();
    const bool late = left <= 0 || ::poll(&socket, 1, static_cast<int>(left)) == 0;
    hold.lock();
    with_user([&] {
      if (!late) {
        read_ready(handle_, socket.fd);
      } else {
        snmp_sess_timeout(handle_);
      }
    });
    if (late) break;
  }
  const int error = waiting->ended ? waiting->error : SNMPERR_TIMEOUT;
  Answer answer = std::move(waiting->answer);
  if (error != SNMPERR_SUCCESS) abandoned_.push_back(std::move(waiting));
  if (error == SNMPERR_TIMEOUT) return Answer{};
  if (error != SNMPERR_SUCCESS || !answer.pdu) return fault_of_library(error, where_);
  return answer;
}

Outcome<SnmpSession::Answer> SnmpSession::exchange(int command, const std::vector<Oid>& asked, long* repetitions) {
  for (int count = 0; count < tries; ++count) {
    netsnmp_pdu* const request = new_pdu(command);
    if (command == SNMP_MSG_GETBULK) {
      request->non_repeaters = 0;
      request->max_repetitions = *repetitions;
    }
    for (const auto& one : asked) {
      const std::vector<oid> id(one.begin(), one.end());
      snmp_add_null_var(request, id.data(), id.size());
    }
    auto answer = try_once(request);
    heard_ = heard_ || (answer && answer->pdu);
    if (!answer || answer->pdu) return answer;
    // A long answer is many fragments, and one that is lost loses all.
    if (repetitions) *repetitions = std::max(1L, *repetitions / 4);
  }
  if (user_ && !heard_ && answers_unencrypted()) return fault_of_library(SNMPERR_USM_DECRYPTIONERROR, where_);
  return no_answer(where_);
}

// Agents may drop what they cannot decrypt without a word. The engine answered at open: so does it answer the same user
// when the question is only signed? Any answer to that, a refusal too, says that the user and the first password are right.
bool SnmpSession::answers_unencrypted() {
  static const oid sys_uptime[] = {1, 3, 6, 1, 2, 1, 1, 3, 0};
  netsnmp_pdu* const request = new_pdu(SNMP_MSG_GET);
  request->securityLevel = SNMP_SEC_LEVEL_AUTHNOPRIV;
  snmp_add_null_var(request, sys_uptime, OID_LENGTH(sys_uptime));
  const auto answer = try_once(request);
  return (answer && answer->pdu) || (!answer && answer.error().kind == FaultKind::refused);
}

}  // namespace tallywire::link
