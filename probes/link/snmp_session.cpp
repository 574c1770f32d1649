#include "probes/link/snmp_session.hpp"

#include <net-snmp/net-snmp-config.h>
#include <net-snmp/net-snmp-includes.h>

#include <algorithm>
#include <cstdlib>
#include <mutex>

namespace tallywire::link {
namespace {

constexpr long repetitions = 25;
constexpr std::chrono::microseconds longest_try = std::chrono::seconds(1);
constexpr int tries = 2;

using Clock = std::chrono::steady_clock;

// The library keeps the users, keys and engine times of v3 in tables of the process: whoever opens or closes a session,
// or exchanges by v3, holds this lock, for one try at most.
std::timed_mutex& library() {
  static std::timed_mutex lock;
  static std::once_flag once;
  std::call_once(once, [] {
    ::setenv("MIBS", "", 1);
    netsnmp_ds_set_boolean(NETSNMP_DS_LIBRARY_ID, NETSNMP_DS_LIB_DONT_READ_CONFIGS, 1);
    netsnmp_ds_set_boolean(NETSNMP_DS_LIBRARY_ID, NETSNMP_DS_LIB_DONT_PERSIST_STATE, 1);
    netsnmp_ds_set_boolean(NETSNMP_DS_LIBRARY_ID, NETSNMP_DS_LIB_DISABLE_PERSISTENT_LOAD, 1);
    snmp_disable_log();
    init_snmp("tallywire");
    snmp_disable_log();
  });
  return lock;
}

Fault no_answer(const std::string& where) {
  return {FaultKind::timed_out, "no answer by SNMP", where,
          "check address, community or user, and that the switch allows SNMP from here"};
}

// What the library's error means for a person. A wrong community is silence: SNMP v2c does not refuse.
Fault fault_of(int code, const std::string& where) {
  switch (code) {
    case SNMPERR_TIMEOUT: return no_answer(where);
    case SNMPERR_AUTHENTICATION_FAILURE:
    case SNMPERR_USM_AUTHENTICATIONFAILURE:
    case SNMPERR_USM_DECRYPTIONERROR:
    case SNMPERR_DECRYPTION_ERR:
      return {FaultKind::refused, "login refused: the switch does not accept the keys", where,
              "correct the secret's passwords and protocols"};
    case SNMPERR_UNKNOWN_USER_NAME:
    case SNMPERR_USM_UNKNOWNSECURITYNAME:
      return {FaultKind::refused, "login refused: the switch does not know the user", where,
              "correct the secret's user"};
    case SNMPERR_UNSUPPORTED_SEC_LEVEL:
    case SNMPERR_USM_UNSUPPORTEDSECURITYLEVEL:
      return {FaultKind::refused, "login refused: the switch does not let the user sign and encrypt", where,
              "give the user authPriv on the switch, or correct the secret's protocols"};
    default: return {FaultKind::unreachable, std::string("SNMP failed: ") + snmp_api_errstring(code), where, ""};
  }
}

Fault too_slow(const std::string& where) {
  return {FaultKind::timed_out, "the switch answers too slowly: its time was used up", where, "look at the switch's load"};
}

// The agent's own error-status (RFC 3416 §3) is no end of a table.
Fault fault_of_status(long status, const std::string& where) {
  const bool access = status == SNMP_ERR_NOACCESS || status == SNMP_ERR_AUTHORIZATIONERROR;
  return {access ? FaultKind::refused : FaultKind::malformed,
          std::string("the switch answers with an error: ") + snmp_errstring(static_cast<int>(status)), where,
          access ? "let the community or user see it on the switch" : "the switch's firmware is at fault"};
}

long microseconds_of_a_try(Clock::time_point end) {
  const auto left = std::chrono::duration_cast<std::chrono::microseconds>(end - Clock::now());
  return static_cast<long>(std::clamp(left, std::chrono::microseconds(1), longest_try).count());
}

// A user that a session left in the library's table would lend its keys to the next one of the same name: the library
// never replaces the keys it has. So the table is empty whenever nobody holds the lock.
usmUser* take_user() {
  usmUser* const user = usm_get_userList();
  if (user) usm_remove_user(user);
  return user;
}

void forget_users() {
  while (usmUser* const user = take_user()) usm_free_user(user);
}

struct Protocol {
  const oid* id;
  std::size_t length;
};

Protocol auth_protocol(const std::string& name) {
  if (name == "MD5") return {usmHMACMD5AuthProtocol, USM_AUTH_PROTO_MD5_LEN};
  if (name == "SHA-256") return {usmHMAC192SHA256AuthProtocol, USM_AUTH_PROTO_SHA_LEN};
  if (name == "SHA-512") return {usmHMAC384SHA512AuthProtocol, USM_AUTH_PROTO_SHA_LEN};
  return {usmHMACSHA1AuthProtocol, USM_AUTH_PROTO_SHA_LEN};
}

bool set_user(netsnmp_session& session, const SwitchAccess& access) {
  session.version = SNMP_VERSION_3;
  session.securityName = const_cast<char*>(access.user.c_str());
  session.securityNameLen = access.user.size();
  session.securityLevel = SNMP_SEC_LEVEL_AUTHPRIV;
  const auto auth = auth_protocol(access.auth_protocol);
  session.securityAuthProto = const_cast<oid*>(auth.id);
  session.securityAuthProtoLen = auth.length;
  session.securityPrivProto = const_cast<oid*>(access.privacy_protocol == "DES" ? usmDESPrivProtocol : usmAESPrivProtocol);
  session.securityPrivProtoLen = USM_PRIV_PROTO_AES_LEN;
  const auto key = [&](const std::string& password, unsigned char* out, std::size_t& length) {
    return generate_Ku(auth.id, static_cast<unsigned>(auth.length),
                       reinterpret_cast<const unsigned char*>(password.data()), password.size(), out,
                       &length) == SNMPERR_SUCCESS;
  };
  session.securityAuthKeyLen = USM_AUTH_KU_LEN;
  session.securityPrivKeyLen = USM_PRIV_KU_LEN;
  return key(access.auth_password, session.securityAuthKey, session.securityAuthKeyLen) &&
         key(access.privacy_password, session.securityPrivKey, session.securityPrivKeyLen);
}

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
    default: break;
  }
  return out;
}

}  // namespace

// What came back, freed with it.
struct SnmpSession::Answer {
  std::unique_ptr<netsnmp_pdu, void (*)(netsnmp_pdu*)> pdu{nullptr, snmp_free_pdu};
};

Outcome<std::unique_ptr<SnmpSession>> SnmpSession::open(const SwitchAccess& access, std::chrono::milliseconds limit) {
  const auto end = Clock::now() + limit;
  const std::string where = access.address + ":" + std::to_string(access.udp_port);
  const bool v6 = access.address.find(':') != std::string::npos;
  std::string peer = v6 ? "udp6:[" + access.address + "]:" : "udp:" + access.address + ":";
  peer += std::to_string(access.udp_port);
  const bool v3 = access.community.empty();
  int error = SNMPERR_TIMEOUT;
  // Opening by v3 asks the agent for its engine, which a lost datagram may cost one try.
  for (int count = 0; count < (v3 ? tries : 1) && Clock::now() < end; ++count) {
    const std::unique_lock hold(library(), end);
    if (!hold) return too_slow(where);
    netsnmp_session session{};
    snmp_sess_init(&session);
    session.peername = peer.data();
    session.timeout = microseconds_of_a_try(end);
    session.retries = 0;
    if (!v3) {
      session.version = SNMP_VERSION_2c;
      session.community = reinterpret_cast<unsigned char*>(const_cast<char*>(access.community.c_str()));
      session.community_len = access.community.size();
    } else if (!set_user(session, access)) {
      return Fault{FaultKind::bad_request, "the secret's passwords cannot be made into keys", where,
                   "SNMP v3 passwords have at least 8 characters"};
    }
    if (void* handle = snmp_sess_open(&session)) {
      usmUser* const user = v3 ? take_user() : nullptr;
      forget_users();
      return std::unique_ptr<SnmpSession>(new SnmpSession(handle, user, where, end));
    }
    forget_users();
    error = session.s_snmp_errno;
  }
  // The engine's silence is told as "unknown engine": nobody answered.
  return fault_of(error == SNMPERR_UNKNOWN_ENG_ID ? SNMPERR_TIMEOUT : error, where);
}

SnmpSession::~SnmpSession() {
  const std::lock_guard hold(library());
  snmp_sess_close(handle_);
  if (user_) usm_free_user(static_cast<usmUser*>(user_));
  forget_users();
}

Outcome<SnmpSession::Answer> SnmpSession::exchange(int command, const Oid& asked) {
  const std::vector<oid> id(asked.begin(), asked.end());
  for (int count = 0; count < tries; ++count) {
    std::unique_lock hold(library(), std::defer_lock);
    if (Clock::now() >= end_ || (user_ && !hold.try_lock_until(end_))) return too_slow(where_);
    netsnmp_session* const session = snmp_sess_session(handle_);
    session->timeout = microseconds_of_a_try(end_);
    netsnmp_pdu* request = snmp_pdu_create(command);
    if (command == SNMP_MSG_GETBULK) {
      request->non_repeaters = 0;
      request->max_repetitions = repetitions;
    }
    snmp_add_null_var(request, id.data(), id.size());
    netsnmp_pdu* response = nullptr;
    if (user_) usm_add_user(static_cast<usmUser*>(user_));
    const int status = snmp_sess_synch_response(handle_, request, &response);
    if (user_) take_user();
    Answer out;
    out.pdu.reset(response);
    if (status == STAT_SUCCESS && response) return out;
    if (status == STAT_TIMEOUT) continue;
    int library_error = 0, system_error = 0;
    char* text = nullptr;
    snmp_sess_error(handle_, &system_error, &library_error, &text);
    std::free(text);
    return fault_of(library_error, where_);
  }
  auto fault = no_answer(where_);
  // Its engine answered at open. Net-SNMP's agent drops what it cannot decrypt without a word.
  if (user_) fault.try_next = "the switch is there: check the secret's privacy password and protocol";
  return fault;
}

Outcome<SnmpValue> SnmpSession::get(const Oid& asked) {
  auto answer = exchange(SNMP_MSG_GET, asked);
  if (!answer) return answer.error();
  const auto* variable = answer->pdu->variables;
  // v3: a report instead of an answer says why the switch refused.
  if (answer->pdu->command == SNMP_MSG_REPORT)
    return fault_of(SNMPERR_USM_AUTHENTICATIONFAILURE, where_);
  if (answer->pdu->errstat != SNMP_ERR_NOERROR) return fault_of_status(answer->pdu->errstat, where_);
  if (!variable || variable->type == SNMP_NOSUCHOBJECT ||
      variable->type == SNMP_NOSUCHINSTANCE || variable->type == SNMP_ENDOFMIBVIEW)
    return Fault{FaultKind::unsupported, "the switch does not have it", where_, ""};
  return value_of(*variable);
}

Outcome<std::vector<SnmpValue>> SnmpSession::walk(const Oid& column) {
  std::vector<SnmpValue> out;
  Oid next = column;
  for (;;) {
    auto answer = exchange(SNMP_MSG_GETBULK, next);
    if (!answer) return answer.error();
    if (answer->pdu->errstat != SNMP_ERR_NOERROR) return fault_of_status(answer->pdu->errstat, where_);
    if (!answer->pdu->variables) return out;
    for (const auto* v = answer->pdu->variables; v; v = v->next_variable) {
      const Oid at(v->name, v->name + v->name_length);
      const bool inside = at.size() > column.size() && std::equal(column.begin(), column.end(), at.begin());
      if (!inside || v->type == SNMP_ENDOFMIBVIEW) return out;
      if (at <= next)
        return Fault{FaultKind::malformed, "the switch's table goes in a circle", where_,
                     "the switch's firmware is at fault; the table was cut off"};
      if (out.size() >= most_values)
        return Fault{FaultKind::malformed, "the switch's table does not end", where_, "the table was cut off"};
      next = at;
      out.push_back(value_of(*v));
      out.back().index.assign(at.begin() + static_cast<std::ptrdiff_t>(column.size()), at.end());
    }
  }
}

}  // namespace tallywire::link
