-- wrk asks by this: the requests of a file in turns, each after four bytes with its length; last a line of JSON.
local requests, place = {}, 0

function init(args)
   local file = assert(io.open(args[1], "rb"))
   while true do
      local head = file:read(4)
      if not head then break end
      local a, b, c, d = head:byte(1, 4)
      requests[#requests + 1] = file:read(a + 256 * b + 65536 * c + 16777216 * d)
   end
   file:close()
end

function request()
   place = place % #requests + 1
   return requests[place]
end

function done(summary)
   io.write(string.format('{"answered": %d, "seconds": %.6f, "refused": %d}\n',
      summary.requests, summary.duration / 1e6, summary.errors.status))
end
