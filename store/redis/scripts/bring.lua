-- Brings in the named values of one commit, once however often it is asked.
-- KEYS 1 mark of the commit, 2 index, 3 expiring
-- ARGV 1 until when the mark can be relied on (ms), 2 how the key of a value
--      begins, then key, etag, moment and bytes of each ("-": delete, "+...": write)
-- Answers 1 done, 2 done before, 0 too late: look again whether it is still to be done.
local never = 9007199254740992
local t = redis.call('TIME')
local now = t[1] * 1000 + math.floor(t[2] / 1000)
if now > tonumber(ARGV[1]) then return 0 end
if not redis.call('SET', KEYS[1], '', 'NX', 'PX', 86400000) then return 2 end
for i = 3, #ARGV, 4 do
  local key, etag, expires, bytes = ARGV[i], ARGV[i + 1], tonumber(ARGV[i + 2]), ARGV[i + 3]
  local at = ARGV[2] .. key
  if bytes == '-' or expires <= now then
    redis.call('DEL', at)
    redis.call('ZREM', KEYS[2], key)
    redis.call('ZREM', KEYS[3], key)
  else
    local value = etag .. struct.pack('>I8', expires) .. string.sub(bytes, 2)
    if expires == never then
      redis.call('SET', at, value)
      redis.call('ZREM', KEYS[3], key)
    else
      redis.call('SET', at, value, 'PXAT', string.format('%.0f', expires - 1))
      redis.call('ZADD', KEYS[3], ARGV[i + 2], key)
    end
    redis.call('ZADD', KEYS[2], 0, key)
  end
end
return 1
