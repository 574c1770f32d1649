// Secrets by name: logins, SNMP access, keys. They stand in one JSON file that only its owner may read, or
// in systemd credentials, and nowhere else: no printing, no JSON, no log.
#pragma once

#include <map>
#include <optional>
#include <string>
#include <vector>

namespace tallywire::config {

struct LoginSecret {
  std::string user;
  std::string password;
};

struct SnmpSecret {
  std::string community;  // v2c
  std::string user;       // v3, from here on
  std::string auth_protocol = "SHA";     // "MD5", "SHA", "SHA-256", "SHA-512"
  std::string auth_password;
  std::string privacy_protocol = "AES";  // "DES", "AES"
  std::string privacy_password;
};

class Secrets {
 public:
  std::optional<LoginSecret> login(const std::string& name) const;
  std::optional<SnmpSecret> snmp(const std::string& name) const;
  std::optional<std::string> key(const std::string& name) const;    // at least 16 octets
  std::optional<std::string> token(const std::string& name) const;  // same kind as a key

 private:
  friend struct LoadedSecrets;
  friend struct LoadedSecrets load_secrets(const std::string& path);
  std::map<std::string, std::map<std::string, std::string>> by_name_;
};

struct LoadedSecrets {
  Secrets secrets;
  std::vector<std::string> faults;  // sentences; empty: all is well
};

// A file {"NAME": {"user": …, "password": …}, …}: refused when group or others can read it. An empty path
// looks for the systemd credential "tallywire.secrets" ($CREDENTIALS_DIRECTORY), and without one there
// are no secrets.
LoadedSecrets load_secrets(const std::string& path);

}  // namespace tallywire::config
