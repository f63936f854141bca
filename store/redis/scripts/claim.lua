-- Leases those people of one partition and lane that are still where a look at
-- the index found them.
-- KEYS 1 due or due!, 2 clock
-- ARGV 1 lease in ms, 2 how the key of a record begins, then person and score of each
-- Answers the people that were leased, and which of them have named values to
-- be brought in.
local t = redis.call('TIME')
local now = t[1] * 1000 + math.floor(t[2] / 1000)
local to = string.format('%.0f', now + tonumber(ARGV[1]))
local leased, pending = {}, {}
for i = 3, #ARGV, 2 do
  local score = redis.call('ZSCORE', KEYS[1], ARGV[i])
  if score and score == ARGV[i + 1] and tonumber(score) <= now then
    redis.call('ZADD', KEYS[1], to, ARGV[i])
    leased[#leased + 1] = ARGV[i]
    local named = redis.call('GETRANGE', ARGV[2] .. ARGV[i], 33, 36)
    if named ~= '' and named ~= '\0\0\0\0' then pending[#pending + 1] = ARGV[i] end
  end
end
if #leased > 0 and tonumber(redis.call('GET', KEYS[2]) or 0) < now then
  redis.call('SET', KEYS[2], string.format('%.0f', now))
end
return {leased, pending}
