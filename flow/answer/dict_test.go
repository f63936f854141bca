package answer
import ("testing";"os";"fmt";"bufio";"strings";"sort")
func TestDict(t *testing.T){ if os.Getenv("DICT")=="" {return}
 r:=reader(t)
 for loc,file:=range map[string]string{"en":"american-english","es":"spanish"} {
 for _,l:=range r.languages{ if string(l.name)!=loc {continue}
  f,_:=os.Open("/usr/share/dict/"+file); s:=bufio.NewScanner(f)
  out:=map[string]string{}
  for s.Scan(){ w:=s.Text(); if strings.ContainsAny(w,"'") || strings.ToLower(w)!=w {continue}; w=fold(w)
   if l.known[w] {continue}
   for name,b:=range l.books { v:=b.vocab; if name=="choice" {v=append(append([]string{},l.choice.words...),v...)}
     if n:=nearest(w,l.knows,v); n!="" { out[w]+=" "+name+":"+n } }
  }
  var ks []string; for k:=range out{ks=append(ks,k)}; sort.Strings(ks)
  o,_:=os.Create("/tmp/dict_"+loc); for _,k:=range ks{fmt.Fprintln(o,k,out[k])}; o.Close(); fmt.Println(loc,len(ks))
 }}}
