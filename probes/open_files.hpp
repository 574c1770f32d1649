// How many files and sockets this process may hold open. Includes nothing of ours.
#pragma once

namespace tallywire {

// Raises the soft limit to the hard one, once at start-up: hundreds of streams over UDP hold two sockets for each track,
// and the usual soft limit is 1024. What is refused stays as it was; who runs out of it later is told so.
void raise_open_files_limit();

}  // namespace tallywire
