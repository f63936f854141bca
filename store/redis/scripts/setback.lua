-- When the server's clock has been set back, leases taken before would last
-- for as much longer: shortens those of one partition by that.
-- KEYS 1 clock, 2 due!, 3 due   ARGV 1 how the key of a record begins
local t = redis.call('TIME')
local now = t[1] * 1000 + math.floor(t[2] / 1000)
local seen = tonumber(redis.call('GET', KEYS[1]) or 0)
if seen <= now then return 0 end
redis.call('SET', KEYS[1], string.format('%.0f', now))
local shortened = 0
for lane = 0, 1 do
  local index = KEYS[2 + lane]
  -- whoever is leased is there later than due; everybody else is left alone
  local people = redis.call('ZRANGE', index, '(' .. string.format('%.0f', now), '(9007199254740992', 'BYSCORE', 'WITHSCORES')
  for i = 1, #people, 2 do
    local due, score = redis.call('GETRANGE', ARGV[1] .. people[i], 16 + 8 * lane, 23 + 8 * lane), tonumber(people[i + 1])
    if #due == 8 and struct.unpack('>I8', due) < score then
      local to = math.max(score - (seen - now), struct.unpack('>I8', due))
      redis.call('ZADD', index, string.format('%.0f', to), people[i])
      shortened = shortened + 1
    end
  end
end
return shortened
