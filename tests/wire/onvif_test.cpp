#include "probes/wire/base64.hpp"
#include "probes/wire/onvif.hpp"

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include <random>

using namespace tallywire;
using namespace tallywire::wire;

namespace {

const std::string where = "192.0.2.10:80";
const std::string no_text = "\xef\xbf\xbd";  // U+FFFD

// SOAP 1.2 part 1 §5; names and namespaces of the ONVIF device service (devicemgmt.wsdl, onvif.xsd).
std::string envelope(const std::string& body) {
  return "<?xml version=\"1.0\" encoding=\"UTF-8\"?>"
         "<env:Envelope xmlns:env=\"http://www.w3.org/2003/05/soap-envelope\" "
         "xmlns:tds=\"http://www.onvif.org/ver10/device/wsdl\" xmlns:tt=\"http://www.onvif.org/ver10/schema\" "
         "xmlns:ter=\"http://www.onvif.org/ver10/error\"><env:Body>" + body + "</env:Body></env:Envelope>";
}

std::string information(const std::string& model) {
  return envelope("<tds:GetDeviceInformationResponse><tds:Manufacturer>no maker</tds:Manufacturer><tds:Model>" + model +
                  "</tds:Model><tds:FirmwareVersion>1.2.3</tds:FirmwareVersion>"
                  "<tds:SerialNumber>0042</tds:SerialNumber>"
                  "<tds:HardwareId>1</tds:HardwareId></tds:GetDeviceInformationResponse>");
}

// Order of elements as tt:SystemDateTime has them: the local time stands after UTC, and must not be taken for it.
std::string date_and_time(const std::string& year, const std::string& month, const std::string& day) {
  return envelope("<tds:GetSystemDateAndTimeResponse><tds:SystemDateAndTime><tt:DateTimeType>NTP</tt:DateTimeType>"
                  "<tt:DaylightSavings>false</tt:DaylightSavings><tt:TimeZone><tt:TZ>CET-1</tt:TZ></tt:TimeZone>"
                  "<tt:UTCDateTime><tt:Time><tt:Hour>3</tt:Hour><tt:Minute>4</tt:Minute><tt:Second>5</tt:Second>"
                  "</tt:Time>"
                  "<tt:Date><tt:Year>" + year + "</tt:Year><tt:Month>" + month + "</tt:Month><tt:Day>" + day +
                  "</tt:Day></tt:Date></tt:UTCDateTime><tt:LocalDateTime><tt:Time><tt:Hour>4</tt:Hour>"
                  "<tt:Minute>4</tt:Minute><tt:Second>5</tt:Second></tt:Time><tt:Date><tt:Year>2026</tt:Year>"
                  "<tt:Month>1</tt:Month><tt:Day>2</tt:Day>"
                  "</tt:Date></tt:LocalDateTime></tds:SystemDateAndTime></tds:GetSystemDateAndTimeResponse>");
}

std::string replaced(std::string text, const std::string& from, const std::string& to) {
  for (auto at = text.find(from); at != std::string::npos; at = text.find(from, at + to.size()))
    text.replace(at, from.size(), to);
  return text;
}

std::string model_of(const std::string& body) {
  const auto told = decode_unit_information(body, where);
  REQUIRE(told.has_value());
  return told->model;
}

FaultKind kind_of(const std::string& body) {
  const auto told = decode_unit_information(body, where);
  REQUIRE_FALSE(told.has_value());
  CHECK(told.error().where == where);
  return told.error().kind;
}

std::string digest(const char* nonce, const char* created, const char* password) {
  const auto octets = decode_base64(nonce);
  REQUIRE(octets);
  return username_token_digest(Octets(*octets), created, password);
}

}  // namespace

TEST_CASE("The password digest has the value of the ONVIF Application Programmer's Guide §6.1.1.3") {
  CHECK(digest("LKqI6G/AikKCQrN0zqZFlg==", "2010-09-16T07:50:45Z", "userpassword") == "tuOSpGlFlIXsozq4HFNeeGeFLEI=");
  // Check-values section 3: own value, OASIS WSS UsernameToken Profile 1.0, computed apart.
  CHECK(digest("AAECAwQFBgcICQoLDA0ODw==", "2026-01-02T03:04:05Z", "four rails") == "6u/Nrz4lh9xRvzUorLKHYTkFxO0=");
}

TEST_CASE("The two wrong ways to the digest give what check-values section 3 says, and not the right value") {
  const std::string nonce = "LKqI6G/AikKCQrN0zqZFlg==";
  const std::vector<std::uint8_t> left_in_base64(nonce.begin(), nonce.end());
  const auto undecoded = username_token_digest(Octets(left_in_base64), "2010-09-16T07:50:45Z", "userpassword");
  const auto without = username_token_digest(Octets(), "2010-09-16T07:50:45Z", "userpassword");
  CHECK(undecoded == "YBCPSgpGYaaItaZAa5HaytT3CRM=");
  CHECK(without == "Ce4KJ3PLZm6rd1JDN/7tTbDBS+E=");
}

TEST_CASE("A request carries the token of its nonce and of the unit's own whole second, and never the password") {
  const auto nonce = decode_base64("AAECAwQFBgcICQoLDA0ODw==");
  REQUIRE(nonce);
  const SoapLogin login{{"a<b&\"c", "four rails"}, *nonce, from_rfc3339("2026-01-02T03:04:05.75Z")};
  const auto request = encode_onvif(ask_unit_information(), login);
  CHECK(request.body.find("6u/Nrz4lh9xRvzUorLKHYTkFxO0=") != std::string::npos);  // check-values section 3
  CHECK(request.body.find(">2026-01-02T03:04:05Z<") != std::string::npos);
  CHECK(request.body.find("<Username>a&lt;b&amp;&quot;c</Username>") != std::string::npos);  // XML 1.0 §2.4
  CHECK(request.body.find("four rails") == std::string::npos);
  CHECK(encode_onvif(ask_unit_information(), std::nullopt).body.find("Security") == std::string::npos);
}

TEST_CASE("Device information is read whatever the prefixes are") {
  const auto plain = information("unit A");
  for (const auto& body : {plain, replaced(replaced(plain, "tds:", "ns1:"), "env:", "SOAP-ENV:"),
                           replaced(replaced(plain, "<tds:", "<"), "</tds:", "</")}) {
    const auto told = decode_unit_information(body, where);
    REQUIRE(told.has_value());
    CHECK(told->manufacturer == "no maker");
    CHECK(told->model == "unit A");
    CHECK(told->firmware == "1.2.3");
    CHECK(told->serial == "0042");
  }
}

TEST_CASE("Date and time is UTC, not local") {
  const auto told = decode_unit_time(date_and_time("2026", "1", "2"), where);
  REQUIRE(told.has_value());
  // GNU date: date -u -d 2026-01-02T03:04:05Z +%s
  CHECK(told->utc.time_since_epoch() == std::chrono::seconds(1767323045));
  CHECK(told->by_ntp);
  const auto manual = decode_unit_time(replaced(date_and_time("2026", "1", "2"), "NTP", "Manual"), where);
  REQUIRE(manual.has_value());
  CHECK_FALSE(manual->by_ntp);
}

TEST_CASE("Dates that are none are malformed; a unit without UTC is unsupported") {
  for (const char* bad : {"", "-2147483648", "-99999999999", "99999999999", "x", "0"}) {
    for (int field = 0; field < 3; ++field) {
      const auto body = date_and_time(field == 0 ? bad : "2026", field == 1 ? bad : "1", field == 2 ? bad : "2");
      const auto told = decode_unit_time(body, where);
      INFO(bad << " in field " << field);
      REQUIRE_FALSE(told.has_value());
      CHECK(told.error().kind == FaultKind::malformed);
    }
  }
  // UTCDateTime is optional in tt:SystemDateTime (onvif.xsd).
  const auto local_only =
      decode_unit_time(replaced(date_and_time("2026", "1", "2"), "UTCDateTime", "Extension"), where);
  REQUIRE_FALSE(local_only.has_value());
  CHECK(local_only.error().kind == FaultKind::unsupported);
}

TEST_CASE("A SOAP fault that asks for a login is refused, another is unsupported") {
  const auto fault = [](const std::string& subcode) {  // SOAP 1.2 part 1 §5.4; subcodes of ONVIF Core, generic faults
    return envelope("<env:Fault><env:Code><env:Value>env:Sender</env:Value><env:Subcode><env:Value>" + subcode +
                    "</env:Value></env:Subcode></env:Code><env:Reason><env:Text xml:lang=\"en\">no \xff</env:Text>"
                    "</env:Reason>"
                    "</env:Fault>");
  };
  CHECK(kind_of(fault("ter:NotAuthorized")) == FaultKind::refused);
  CHECK(kind_of(fault("wsse:FailedAuthentication")) == FaultKind::refused);  // WS-Security 1.0 §12
  CHECK(kind_of(fault("ter:ActionNotSupported")) == FaultKind::unsupported);
  const auto told = decode_unit_information(fault("ter:ActionNotSupported"), where);
  CHECK(told.error().what == "the unit answered a fault: no " + no_text);
}

TEST_CASE("What is no such answer is malformed") {
  const auto good = information("unit A");
  CHECK(kind_of("") == FaultKind::malformed);
  CHECK(kind_of("hello") == FaultKind::malformed);
  CHECK(kind_of("<html><body><p>It works!</body></html>") == FaultKind::malformed);
  CHECK(kind_of("{\"model\": 1}") == FaultKind::malformed);
  CHECK(kind_of(date_and_time("2026", "1", "2")) == FaultKind::malformed);
  for (std::size_t size = 0; size < good.size(); ++size)
    CHECK(kind_of(good.substr(0, size)) == FaultKind::malformed);
}

TEST_CASE("Oversize, deep and expanding documents are malformed") {
  CHECK(model_of(information(std::string(1000, 'm'))) == std::string(1000, 'm'));
  CHECK(kind_of(information(std::string(largest_soap, 'm'))) == FaultKind::malformed);
  std::string deep;
  for (int i = 0; i < 20000; ++i) deep += "<a>";
  CHECK(kind_of(deep) == FaultKind::malformed);
  for (int i = 0; i < 20000; ++i) deep += "</a>";
  CHECK(kind_of(envelope(deep)) == FaultKind::malformed);
  // Depth hidden behind an attribute that looks like an element's end: no crash, and no answer found that deep.
  std::string hidden, end;
  for (int i = 0; i < 10000; ++i) hidden += "<a b='/>'>", end += "</a>";
  CHECK(kind_of(envelope(hidden + "<GetDeviceInformationResponse/>" + end)) == FaultKind::malformed);
  std::string open;
  for (int i = 0; i < 50000; ++i) open += "<a</";
  CHECK(kind_of(open) == FaultKind::malformed);
  // XML 1.0 §4.4; SOAP 1.2 part 1 §5: no document type declaration.
  const auto expanding = replaced(information("&b;"), "<env:Envelope",
                                  "<!DOCTYPE x [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;\">]><env:Envelope");
  CHECK(kind_of(expanding) == FaultKind::malformed);
  CHECK(model_of(information("&b;&lt;&#233;")) == "&b;<\xc3\xa9");  // undeclared: left as it stands
}

TEST_CASE("Names come out as UTF-8 whatever the unit sends") {
  // RFC 3629 §7 (examples) and §4 (the well-formed); §10 (overlong C0 80, and surrogates).
  CHECK(model_of(information("A\xe2\x89\xa2\xce\x91.")) == "A\xe2\x89\xa2\xce\x91.");
  CHECK(model_of(information("\xf0\xa3\x8e\xb4")) == "\xf0\xa3\x8e\xb4");
  CHECK(model_of(information("\xf4\x8f\xbf\xbf")) == "\xf4\x8f\xbf\xbf");
  CHECK(model_of(information("caf\xe9 1")) == "caf" + no_text + " 1");
  CHECK(model_of(information("a\xc0\x80z")) == "a" + no_text + no_text + "z");
  CHECK(model_of(information("a\xe0\x80\x80z")) == "a" + no_text + no_text + no_text + "z");
  CHECK(model_of(information("a\xed\xa0\x80z")) == "a" + no_text + no_text + no_text + "z");
  CHECK(model_of(information("a\xf4\x90\x80\x80z")) == "a" + no_text + no_text + no_text + no_text + "z");
  CHECK(model_of(information("a\xffz\xe2\x89")) == "a" + no_text + "z" + no_text + no_text);
  CHECK(model_of(information("&#xD800;")) == no_text + no_text + no_text);  // a reference to a surrogate, which XML 1.0 §2.2 forbids
  // XML 1.0 §4.3.3: the declaration says which code it is.
  CHECK(model_of(replaced(information("caf\xe9"), "UTF-8", "ISO-8859-1")) == "caf\xc3\xa9");
}

TEST_CASE("Where the media services are: all of the list, or the one that older units tell") {
  // ONVIF devicemgmt.wsdl: tds:Service has Namespace and XAddr; GetCapabilities tells tt:Capabilities/tt:Media/tt:XAddr.
  const auto service = [](const std::string& name, const std::string& url) {
    return "<tds:Service><tds:Namespace>" + name + "</tds:Namespace><tds:XAddr>" + url +
           "</tds:XAddr><tds:Version><tt:Major>2</tt:Major></tds:Version></tds:Service>";
  };
  const auto told = decode_services(
      envelope("<tds:GetServicesResponse>" + service("http://www.onvif.org/ver10/media/wsdl", " http://192.0.2.10/m1\n") +
               service("http://www.onvif.org/ver20/media/wsdl", "http://192.0.2.10/m2") +
               service("http://www.onvif.org/ver20/imaging/wsdl", "http://192.0.2.10/i") + "</tds:GetServicesResponse>"),
      where);
  REQUIRE(told.has_value());
  CHECK(told->media1_url == "http://192.0.2.10/m1");
  CHECK(told->media2_url == "http://192.0.2.10/m2");
  const auto older = decode_capabilities(
      envelope("<tds:GetCapabilitiesResponse><tds:Capabilities><tt:Device><tt:XAddr>http://192.0.2.10/d</tt:XAddr>"
               "</tt:Device><tt:Media><tt:XAddr>http://192.0.2.10/m</tt:XAddr></tt:Media></tds:Capabilities>"
               "</tds:GetCapabilitiesResponse>"),
      where);
  REQUIRE(older.has_value());
  CHECK(older->media1_url == "http://192.0.2.10/m");
  CHECK(older->media2_url.empty());
}

TEST_CASE("Random octets, and good answers with random octets, never crash and give UTF-8 or a Fault") {
  std::mt19937 random(20261125);  // NOLINT: the same every time
  const auto good = information("unit \xc3\xa9"), time = date_and_time("2026", "1", "2");
  const auto octet = [&] { return static_cast<char>(random() & 0xff); };
  int read = 0;
  for (int i = 0; i < 3000; ++i) {
    std::string body = i % 3 == 0 ? std::string(random() % 300, ' ') : i % 3 == 1 ? good : time;
    if (i % 3 == 0)
      for (auto& c : body) c = octet();
    else
      for (auto n = random() % 4; n-- > 0;) body[random() % body.size()] = octet();
    (void)decode_unit_time(body, where);
    const auto told = decode_unit_information(body, where);
    if (!told) continue;
    ++read;
    const nlohmann::json names = {told->manufacturer, told->model, told->firmware, told->serial};
    CHECK_NOTHROW(names.dump());  // nlohmann's strict dump throws on what is no UTF-8
  }
  CHECK(read > 200);
}
