// decode_url there and back (RFC 3986), and control URLs against a base (RFC 2326 C.1.1). The input is two lines: a URL
// and a control attribute.
#include "probes/wire/url.hpp"
#include "tests/fuzz/fuzz.hpp"

using namespace tallywire;
using namespace tallywire::wire;
using fuzz::require;

namespace {

void check(const Url& url) {
  require(url.port != 0 && !url.host.empty() && !url.path.empty() && url.path.front() == '/', "a URL is whole");
  const auto text = url.text();
  for (const char c : text) require(c > ' ' && c != 0x7f, "nothing in a URL could end a line or a word of a request");
  const auto back = decode_url(text);
  require(back && back->scheme == url.scheme && back->host == url.host && back->port == url.port &&
              back->path == url.path,
          "a URL comes back as it went");
  require(!back->has_user, "the text of a URL holds no user");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const auto text = fuzz::text_of({data, size});
  const auto line = text.find('\n');
  const std::string base(text.substr(0, line));
  const std::string control(line == std::string_view::npos ? std::string_view() : text.substr(line + 1));
  const auto url = decode_url(base);
  if (url) check(*url);
  const auto joined = join_control(base, control);
  if (url) require(joined.size() <= base.size() + control.size() + 1, "no more than base, slash and control");
  if (url && control.find("://") == std::string::npos) {
    const auto track = decode_url(joined);
    require(!track || (track->host == url->host && track->port == url->port), "a relative control keeps the host");
  }
  return 0;
}
