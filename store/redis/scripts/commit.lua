-- One commit of one person, all of it or nothing.
-- KEYS 1 record, 2 due!, 3 due, 4 log, 5 kept, 6 keeping, 7 clock
-- ARGV 1 etag that was read ("" for none), 2 the new value, 3 and 4 due a lane
--      (never: nothing is), 5 and 6 lease a lane (0: none), 7 person,
--      8 number of log lines and the lines, then ID, value and moment of each
--      kept episode
-- Answers {code, earlier}: 1 done, 2 done before, 0 stale,
--      3 named values of an earlier commit must be brought in first (with the value).
local never = 9007199254740992
local new, person = ARGV[2], ARGV[7]
local cur = redis.call('GETRANGE', KEYS[1], 0, 36)
local etag = string.sub(cur, 1, 16)
if #cur > 0 and string.sub(cur, 34, 37) ~= '\0\0\0\0' then
  return {3, redis.call('GET', KEYS[1])}
end
local erases, brings = string.byte(new, 33) == 1, string.sub(new, 34, 37) ~= '\0\0\0\0'
if #cur > 0 and etag == string.sub(new, 1, 16) then return {2, 1} end
if #cur == 0 and erases then
  if brings then redis.call('SET', KEYS[1], new) end
  return {1, 0}
end
if etag ~= ARGV[1] then return {0, 0} end

-- The hungriest write comes first: a full server refuses a script there, and
-- one that has written something already is let go on over the limit.
if erases and not brings then redis.call('DEL', KEYS[1]) else redis.call('SET', KEYS[1], new) end

if erases then
  redis.call('ZREM', KEYS[2], person)
  redis.call('ZREM', KEYS[3], person)
  for _, id in ipairs(redis.call('HKEYS', KEYS[5])) do
    redis.call('ZREM', KEYS[6], string.char(#person) .. person .. id)
  end
  redis.call('DEL', KEYS[4], KEYS[5])
  return {1, 0}
end

local now, earlier = nil, 0
for lane = 1, 2 do
  local index, at, lease = KEYS[1 + lane], tonumber(ARGV[2 + lane]), tonumber(ARGV[4 + lane])
  local was = redis.call('ZSCORE', index, person)
  if lease > 0 and at < never then
    if not now then
      local t = redis.call('TIME')
      now = t[1] * 1000 + math.floor(t[2] / 1000)
    end
    if at <= now then
      at = now + lease
      local seen = tonumber(redis.call('GET', KEYS[7]) or 0)
      if seen < now then redis.call('SET', KEYS[7], string.format('%.0f', now)) end
    end
  end
  if lane == 1 and at == never then
    if was then redis.call('ZREM', index, person) end
  else
    if not was or tonumber(was) ~= at then redis.call('ZADD', index, string.format('%.0f', at), person) end
    if at < never and (not was or at < tonumber(was)) then earlier = 1 end
  end
end

local arg = 8 + tonumber(ARGV[8])
for from = 9, arg, 1000 do
  redis.call('RPUSH', KEYS[4], unpack(ARGV, from, math.min(from + 999, arg)))
end
for i = arg + 1, #ARGV, 3 do
  redis.call('HSET', KEYS[5], ARGV[i], ARGV[i + 1])
  redis.call('ZADD', KEYS[6], ARGV[i + 2], string.char(#person) .. person .. ARGV[i])
end
return {1, earlier}
