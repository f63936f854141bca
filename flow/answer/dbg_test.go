package answer
import ("testing";"os";"fmt")
func TestDbg(t *testing.T){ r:=reader(t); k,loc,txt:=os.Getenv("K"),os.Getenv("L"),os.Getenv("T"); if k=="" {return}
 for _,l:=range r.languages{ if string(l.name)!=loc {continue}; ts:=l.prepare(k,split(txt)); for _,x:=range ts{fmt.Printf("[%s|%s|%v] ",x.word,x.alt,x.isNum)}; fmt.Println(); fmt.Println(l.found(k,ts))}}
