#include "probes/link/snmp_library.hpp"

#include <cstdlib>

namespace tallywire::link {
namespace {

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

}  // namespace

std::mutex& snmp_library() {
  static std::mutex lock;
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

usmUser* take_user() {
  usmUser* const user = usm_get_userList();
  if (user) usm_remove_user(user);
  return user;
}

void forget_users() {
  while (usmUser* const user = take_user()) usm_free_user(user);
}

bool set_user(netsnmp_session& session, const SwitchAccess& access) {
  session.version = SNMP_VERSION_3;
  session.securityModel = SNMP_SEC_MODEL_USM;
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

Fault no_answer(const std::string& where) {
  return {FaultKind::timed_out, "no answer by SNMP", where,
          "check address, community or user, and that the switch allows SNMP from here"};
}

Fault too_slow(const std::string& where) {
  return {FaultKind::timed_out, "the switch answers too slowly: its time was used up", where, "look at the switch's load"};
}

// A wrong community is silence: SNMP v2c does not refuse.
Fault fault_of_library(int code, const std::string& where) {
  switch (code) {
    case SNMPERR_TIMEOUT: return no_answer(where);
    case SNMPERR_AUTHENTICATION_FAILURE:
    case SNMPERR_USM_AUTHENTICATIONFAILURE:
      return {FaultKind::refused, "login refused: the switch does not accept the user's authentication password or protocol", where,
              "correct auth_password or auth_protocol of the secret"};
    case SNMPERR_USM_DECRYPTIONERROR:
    case SNMPERR_DECRYPTION_ERR:
      return {FaultKind::refused, "login refused: the switch cannot decrypt: the privacy password or protocol is another", where,
              "correct privacy_password or privacy_protocol of the secret"};
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

Fault fault_of_status(long status, const std::string& where) {
  const bool access = status == SNMP_ERR_NOACCESS || status == SNMP_ERR_AUTHORIZATIONERROR;
  return {access ? FaultKind::refused : FaultKind::malformed,
          std::string("the switch answers with an error: ") + snmp_errstring(static_cast<int>(status)), where,
          access ? "let the community or user see it on the switch" : "the switch's firmware is at fault"};
}

}  // namespace tallywire::link
